"""Records that are no whole RF signal: rectified, peak-held, or of the instrument's gate only."""

from __future__ import annotations

import numpy as np
import pytest
from builders import SAMPLE_RATE_MHZ, burst, scan_of, wall_procedure

from ascan import AscanError, Flag, Procedure, Scan, calibrate, measure, time_echoes
from ascan.kernels.arrays import FloatArray
from ascan.waveform.noise import NoiseMeter
from ascan.waveform.recording import recording_for

TIME_US = np.arange(1100) / SAMPLE_RATE_MHZ
LEVEL = '{ method = "first_crossing", level = 0.25 }'


def held(arrival_us: FloatArray, hold: int) -> FloatArray:
    """Return rectified echoes, the largest of every ``hold`` samples kept."""
    signal = np.abs(0.7 * burst(TIME_US, arrival_us))
    return signal[:, : 1100 // hold * hold].reshape(len(signal), -1, hold).max(axis=2)


def test_a_peak_held_record_is_a_rectified_one() -> None:
    recording = recording_for(np.dtype("uint8"), sample_rate_mhz=50.0, peak_held=True)
    assert recording.rectified
    assert (recording.zero_code, recording.full_scale) == (0.0, 256.0)


@pytest.mark.parametrize(
    ("timing", "told"),
    [
        ('"peak"', "times by peak but the record is peak-held"),
        ('{ method = "first_crossing", peak_fraction = 0.5 }', "with peak_fraction but"),
    ],
)
def test_what_holding_moves_is_not_timed(timing: str, told: str) -> None:
    scan = scan_of(np.zeros((1, 1100)), peak_held=True)
    with pytest.raises(AscanError, match=told) as caught:
        time_echoes(scan, wall_procedure(timing))
    assert "use first_crossing with a level" in str(caught.value)
    time_echoes(scan_of(np.zeros((1, 1100)), rectified=True), wall_procedure(timing))


@pytest.mark.parametrize("hold", [2, 4, 8])
def test_the_uncertainty_of_a_held_crossing_holds_the_hold(hold: int) -> None:
    """A crossing evenly spread over one stored sample: T / sqrt(12), without any noise.

    The offset of a calibration takes the mean; the scatter of 2000 echoes stays below.
    """
    rng = np.random.default_rng(31)
    arrival = rng.uniform(4.0, 7.0, 2000)
    rate = SAMPLE_RATE_MHZ / hold
    scan = Scan.from_array(held(arrival, hold), sample_rate_mhz=rate, peak_held=True)
    found = time_echoes(scan, wall_procedure(LEVEL))
    error, u = (found.columns[name] for name in ("interval_us", "u_interval_us"))
    error = error - arrival
    assert u == pytest.approx(1.0 / rate / np.sqrt(12.0), rel=1e-2)
    assert error.std() < 1.0 / rate / np.sqrt(12.0)


def test_a_sliding_hold_keeps_the_first_crossing() -> None:
    """Held from the rise on, a level is reached when the rectified signal reaches it."""
    arrival = np.linspace(4.0, 7.0, 200)
    signal = np.abs(0.7 * burst(TIME_US, arrival))
    slid = np.max([np.pad(signal, ((0, 0), (k, 0)))[:, :1100] for k in range(16)], axis=0)
    plain = time_echoes(scan_of(signal, rectified=True), wall_procedure(LEVEL))
    late = time_echoes(scan_of(slid, peak_held=True), wall_procedure(LEVEL))
    moved = late.columns["interval_us"] - plain.columns["interval_us"]
    assert np.abs(moved).max() < 0.1 / SAMPLE_RATE_MHZ


def test_a_calibration_is_bound_to_the_form_of_the_record() -> None:
    known = np.array([5.0, 10.0, 15.0])
    block = np.abs(0.7 * burst(TIME_US, 2.0 * known / 5.92))
    text = wall_procedure(LEVEL).text.replace("start_us = 2.0", "start_us = 1.0")
    procedure = Procedure.from_text(text)
    for form in ("peak_held", "gated_only"):
        plain = scan_of(block, rectified=True)
        other = scan_of(block, rectified=True, **{form: True})
        assert form not in procedure.signature(plain.recording)
        calibration = calibrate(plain, procedure, known, u_known_mm=0.01)
        with pytest.raises(AscanError, match=f"{form} was absent, is true"):
            measure(other, procedure, calibration)


def test_the_noise_of_a_rectified_record_is_that_of_the_signal_before() -> None:
    """The size of noise has the mean square of the noise, its slope √(1 − 2/π) (half-normal).

    8 %: the selection of the quiet stretch is corrected as if the noise were normal.
    """
    rng = np.random.default_rng(32)
    block = np.abs(rng.normal(0.0, 10.0, (2000, 1000)))
    whole = np.zeros(2000, np.int64), np.full(2000, 1000)
    level, slope = NoiseMeter(np.ones(1), 0.0, 1e-9, 20.0, rectified=True).measure(block, *whole)
    assert np.sqrt(np.mean(level**2)) == pytest.approx(10.0, rel=0.08)
    assert np.sqrt(np.mean(slope**2)) == pytest.approx(10.0 / np.sqrt(2.0), rel=0.08)
    kept = block.reshape(2000, -1, 4).max(axis=2)
    whole = np.zeros(2000, np.int64), np.full(2000, 250)
    level, _ = NoiseMeter(np.ones(1), 0.0, 1e-9, 20.0, rectified=True).measure(kept, *whole)
    # Held, it is larger: rather too much than too little.
    assert 10.0 < np.median(level) < 20.0


def gated(start_us: float, stop_us: float, **meaning: bool) -> Scan:
    """Return 200 noisy echoes at 5 µs, blank outside the instrument's gate."""
    rng = np.random.default_rng(33)
    signal = 0.7 * burst(TIME_US, np.full(200, 5.0)) + rng.normal(0.0, 0.01, (200, 1100))
    signal[:, (start_us > TIME_US) | (stop_us < TIME_US)] = 0.0
    return scan_of(signal, **meaning)


def test_a_gate_that_reaches_into_the_blank_is_told_and_the_noise_is_that_of_the_rest() -> None:
    """What lay in the blank is not known; mostly blank does not mean quiet."""
    plain = time_echoes(gated(3.5, 6.5), wall_procedure())
    found = time_echoes(gated(3.5, 6.5, gated_only=True), wall_procedure())
    assert (found.flags == int(Flag.GATE_CUT_SHORT)).all()
    snr_db = found.picks("wall")["snr_db"]
    assert np.median(snr_db) == pytest.approx(20.0 * np.log10(70.0), abs=2.0)
    # Taken for a whole record, it would seem to have next to no noise.
    assert np.median(plain.picks("wall")["snr_db"]) > 80.0


def narrow(timing: str = '"peak"') -> Procedure:
    text = wall_procedure(timing).text
    return Procedure.from_text(text.replace("2.0", "4.3").replace("9.0", "5.7"))


def test_a_gate_within_what_was_kept_needs_no_flag() -> None:
    found = time_echoes(gated(3.5, 6.5, gated_only=True), narrow())
    assert (found.flags == 0).all()


@pytest.mark.parametrize("timing", ['"peak"', LEVEL], ids=["peak", "level"])
@pytest.mark.parametrize("cut_us", [4.75, 4.8, 4.9, 5.0])
def test_an_echo_that_the_instrument_cut_is_told(cut_us: float, timing: str) -> None:
    found = time_echoes(gated(cut_us, 8.0, gated_only=True), narrow(timing))
    assert (found.flags & int(Flag.AT_GATE_EDGE) != 0).all()


def test_where_an_echo_fills_what_was_kept_its_noise_is_not_taken_for_small() -> None:
    found = time_echoes(gated(4.7, 5.3, gated_only=True), narrow())
    assert np.median(found.picks("wall")["snr_db"]) < 40.0
    assert (found.flags & int(Flag.AT_GATE_EDGE) != 0).all()


def test_a_signal_too_quiet_for_its_codes_is_taken_for_a_blank() -> None:
    """Eight bits without noise: nothing shows that the instrument had its gate open there."""
    codes = np.rint(100.0 * burst(TIME_US, [5.0])).astype(np.int8)
    found = time_echoes(scan_of(codes, gated_only=True), wall_procedure())
    assert Flag.GATE_CUT_SHORT in Flag(int(found.flags[0]))
    assert time_echoes(scan_of(codes), wall_procedure()).flags[0] == 0
