"""The dual-element probe through the whole engine, against signals of the wave laboratory.

Blocks whose steps include both ends of the range; thicknesses between them never seen.
"""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest
from ascan_synthetic.synthesis import Synthesis
from ascan_synthetic.tables import ProbeTable, ReceiverTable, RecordTable, Scenario, WallTable

from ascan import (
    Calibration,
    Procedure,
    Readings,
    Scan,
    calibrate,
    load_calibration,
    measure,
    save_calibration,
)
from ascan.base.errors import AscanError
from ascan.base.flags import Flag
from ascan.checks import second_echo
from ascan.checks.lesson import StepReadings
from ascan.checks.weak_echo import RELATIVE_AMPLITUDE
from ascan.engine.taught import ARRIVAL_RATIO
from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.learning.first_arrivals import with_second
from ascan.steps.table import table_of

EIGHT = np.array([1.0, 2.0, 3.0, 5.0, 8.0, 12.0, 18.0, 25.0])
FOUR = np.array([1.0, 3.0, 10.0, 25.0])
UPPER_BOUND = np.uint32(Flag.UPPER_BOUND)
TEXT = """
probe = {{ arrangement = "dual", frequency_mhz = 5.0, delay_us = 0.35{dimensions} }}
filter = {{ kind = "band_pass", low_mhz = 1.5, high_mhz = 9.0 }}
interval = {{ mode = "time_zero_to_echo", gates = ["wall"] }}
{more}
[[gate]]
name = "wall"
start_us = 6.0
stop_us = 17.0
echo = "first_arrival"
"""
DIMENSIONS = (
    ", wedge_height_mm = {h}, wedge_velocity_mm_per_us = 2.35, roof_deg = {roof}, "
    "element_width_mm = 5.0, element_length_mm = 8.0, element_gap_mm = 1.0"
)


def procedure(roof_deg: float, height_mm: float = 8.0, more: str = "") -> Procedure:
    dimensions = DIMENSIONS.format(h=height_mm, roof=roof_deg)
    return Procedure.from_text(TEXT.format(dimensions=dimensions, more=more))


@functools.cache
def _clean(thickness: tuple[float, ...], roof_deg: float) -> AnyArray:
    made = Synthesis(
        Scenario(
            record=RecordTable(samples=1600, start_us=4.0, bits=16),
            probe=ProbeTable(arrangement="dual", roof_deg=roof_deg),
            wall=WallTable(steps_mm=thickness),
            receiver=ReceiverTable(gain=0.5, noise=0.0),
        )
    )
    return made.waveforms()


def of_codes(codes: AnyArray) -> Scan:
    whole = np.rint(codes).clip(-32768, 32767).astype(np.int16)
    return Scan.from_array(whole, sample_rate_mhz=100.0, start_time_us=4.0, full_scale=2**15)


def walls(
    thickness: FloatArray, roof_deg: float, snr_db: float | None = None, seed: int = 1
) -> Scan:
    """Return plates in 16 bits; noise so far below each record's largest signal."""
    signal = _clean(tuple(thickness.tolist()), roof_deg).astype(np.float64)
    if snr_db is not None:
        rng = np.random.default_rng(seed)
        size = np.abs(signal).max(axis=1, keepdims=True) * 10.0 ** (-snr_db / 20.0)
        signal += size * rng.standard_normal(signal.shape)
    return of_codes(signal)


def calibrated(steps: FloatArray, roof_deg: float, how: Procedure) -> Calibration:
    return _calibrated(tuple(steps.tolist()), roof_deg, how.text)


@functools.cache
def _calibrated(steps: tuple[float, ...], roof_deg: float, text: str) -> Calibration:
    block, how = walls(np.array(steps), roof_deg), Procedure.from_text(text)
    return calibrate(block, how, steps, u_known_mm=1e-5)


@pytest.mark.parametrize("roof_deg", [0.0, 3.5, 8.0])
@pytest.mark.parametrize(("steps", "most_mm"), [(EIGHT, 0.002), (FOUR, 0.002)])
def test_between_the_steps(roof_deg: float, steps: FloatArray, most_mm: float) -> None:
    """Noise-free and of known dimensions: within 2 µm from 1 to 25 mm (asked: 10 and 25 µm)."""
    how = procedure(roof_deg)
    truth = np.geomspace(1.0, 25.0, 150)
    readings = measure(walls(truth, roof_deg), how, calibrated(steps, roof_deg, how))
    assert np.abs(readings.thickness_mm - truth).max() < most_mm
    assert ((readings.flags & ~np.uint32(Flag.CYCLE_UNCERTAIN)) == 0).all()


def test_dimensions_off_or_not_known() -> None:
    """Height off by 3 % and roof by 1°: 15 µm with four steps. Unknown: 15 µm with eight."""
    truth = np.geomspace(1.0, 25.0, 150)
    for how, steps, most in (
        (procedure(4.5, 8.24), FOUR, 0.015),
        (Procedure.from_text(TEXT.format(dimensions="", more="")), EIGHT, 0.015),
    ):
        readings = measure(walls(truth, 3.5), how, calibrated(steps, 3.5, how))
        assert np.abs(readings.thickness_mm - truth).max() < most


NOISE_ALONE = """
[uncertainty]
repeatability_mm = 0.0
reason = "one record of each step, and nothing is coupled anew"
"""


def test_noise_leaves_spread_not_bias() -> None:
    """30 dB: bias below 1 µm; the spread is 0.75 to 1.05 of what is stated; no half-cycle lost.

    Stated is the noise, as if flank and crest of the half-cycle were disturbed apart; the filter's
    noise correlates over both, which helps a little.
    """
    how = Procedure.from_text(procedure(3.5).text + NOISE_ALONE)
    truth = np.random.default_rng(2).uniform(2.0, 25.0, 2000)
    readings = measure(walls(truth, 3.5, 30.0, seed=3), how, calibrated(EIGHT, 3.5, how))
    error = readings.thickness_mm - truth
    assert np.abs(error).max() < 0.05
    assert abs(error.mean()) < 1e-3
    assert 0.75 < np.std(error / readings.u_on_block_mm) < 1.05


@pytest.mark.parametrize("roof_deg", [0.0, 3.5, 8.0])
@pytest.mark.parametrize("thinnest", [1.0, 2.0])
def test_below_the_thinnest_step_right_or_an_upper_bound(roof_deg: float, thinnest: float) -> None:
    how = procedure(roof_deg)
    calibration = calibrated(EIGHT[thinnest <= EIGHT], roof_deg, how)
    truth = np.random.default_rng(4).uniform(0.3, thinnest, 500)
    readings = measure(walls(truth, roof_deg, 40.0, seed=5), how, calibration)
    right = np.abs(readings.thickness_mm - truth) < np.maximum(0.03, 3.0 * readings.u_on_block_mm)
    bound = ((readings.flags & UPPER_BOUND) != 0) & (readings.thickness_mm > truth - 0.001)
    assert (right | bound).all()


def test_inverted_probe_and_stored_calibration(tmp_path) -> None:  # type: ignore[no-untyped-def]
    """The other polarity is found by itself; a calibration read back gives the same to the bit."""
    how = procedure(3.5)
    block = walls(EIGHT, 3.5)
    turned = Scan.from_array(
        -block.rows.read_block(0, len(block)),
        sample_rate_mhz=100.0,
        start_time_us=4.0,
        full_scale=2**15,
    )
    calibration = calibrate(turned, how, EIGHT, u_known_mm=1e-5)
    plain = calibrate(block, how, EIGHT, u_known_mm=1e-5)
    assert calibration.arrivals is not None
    assert plain.arrivals is not None
    assert calibration.arrivals.polarity == -plain.arrivals.polarity
    save_calibration(calibration, tmp_path / "c.h5")
    again = load_calibration(tmp_path / "c.h5")
    assert again.digest == calibration.digest
    one, other = (measure(turned, how, c) for c in (calibration, again))
    assert (one.thickness_mm == other.thickness_mm).all()
    assert np.abs(one.thickness_mm - EIGHT).max() < 0.002


def test_one_record_of_a_scan_is_not_turned_over() -> None:
    """A swapped wire turns over all records of a scan; of one alone, another echo is timed."""
    how, truth = procedure(3.5), np.geomspace(2.0, 20.0, 20)
    codes = walls(truth, 3.5, 40.0).rows.read_block(0, 20)
    calibration, inverted = calibrated(EIGHT, 3.5, how), np.uint32(Flag.POLARITY_INVERTED)
    all_of_it = measure(of_codes(-codes.astype(np.float64)), how, calibration)
    assert ((all_of_it.flags & inverted) != 0).mean() > 0.8
    sign = np.where(np.arange(20) == 7, -1.0, 1.0)[:, None]
    one = measure(of_codes(sign * codes), how, calibration)
    assert not (one.flags & inverted).any()
    assert one.flags[7] & ~inverted


def test_pipe_crown() -> None:
    """Elements across the circumference read s²/2R thin; the correction and its u are applied."""
    flat, bent = (
        procedure(3.5, more=more)
        for more in ("", '[pipe]\noutside_diameter_mm = 60.0\nbarrier = "along"')
    )
    calibration = calibrated(EIGHT, 3.5, flat)
    scan = walls(np.array([6.0]), 3.5)
    assert calibration.arrivals is not None
    wanted = calibration.arrivals.half_separation_mm**2 / 60.0
    plain, corrected = (measure(scan, how, calibration) for how in (flat, bent))
    assert corrected.thickness_mm - plain.thickness_mm == pytest.approx(wanted, rel=1e-9)
    assert (corrected.u_mm > plain.u_mm).all()
    across = procedure(3.5, more='[pipe]\noutside_diameter_mm = 60.0\nbarrier = "across"')
    assert measure(scan, across, calibration).thickness_mm == plain.thickness_mm


def test_half_cycle_is_kept_and_a_step_off_by_a_period_is_moved() -> None:
    how = procedure(3.5)
    calibration = calibrated(EIGHT, 3.5, how)
    readings: Readings = measure(walls(EIGHT, 3.5), how, calibration)
    assert readings.columns["wall_half_cycle"].dtype.kind == "i"
    assert calibration.conditions["half_cycles_moved"] == "none"
    assert calibration.conditions["path"].startswith("aperture")


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ('dimensions = "wedge_height_mm = 8.0"', "but not wedge_velocity_mm_per_us"),
        ('mode = "echo_to_echo"', "seeks a first arrival but the interval"),
    ],
)
def test_wrong_procedures(more: str, message: str) -> None:
    text = TEXT.format(dimensions="", more="")
    if more.startswith("dimensions"):
        text = TEXT.format(dimensions=", wedge_height_mm = 8.0", more="")
    else:
        text = (
            text.replace("time_zero_to_echo", "echo_to_echo").replace('["wall"]', '["wall", "w2"]')
            + '[[gate]]\nname = "w2"\nstart_us = 6.0\nstop_us = 17.0\nthreshold = 0.1\n'
        )
    with pytest.raises(AscanError, match=message):
        Procedure.from_text(text)


@pytest.mark.parametrize(("step", "label"), [(8.0, 10.0), (3.0, 2.5), (12.0, 12.5), (25.0, 24.5)])
def test_a_mislabelled_step_is_called_in_doubt(step: float, label: float) -> None:
    """By 2 mm, and by nearly half a wavelength (0.59 mm), which a moved half-cycle would hide."""
    wrong = np.where(step == EIGHT, label, EIGHT)
    calibration = calibrate(walls(EIGHT, 3.5), procedure(3.5), wrong, u_known_mm=1e-5)
    assert calibration.is_in_doubt, calibration.lines()


def test_steps_in_the_wrong_order_are_refused() -> None:
    with pytest.raises(AscanError, match="does not grow with the thickness"):
        calibrate(walls(EIGHT, 3.5), procedure(3.5), EIGHT[::-1])


def test_rectified_records_are_refused() -> None:
    block = walls(EIGHT, 3.5)
    rectified = Scan.from_array(
        np.abs(block.rows.read_block(0, len(block)).astype(np.int32)),
        sample_rate_mhz=100.0,
        start_time_us=4.0,
        full_scale=2**15,
        rectified=True,
    )
    with pytest.raises(AscanError, match="which half-cycle opens an echo"):
        calibrate(rectified, procedure(3.5), EIGHT)


def test_a_phantom_ahead_of_the_wall_is_betrayed_by_what_follows() -> None:
    """The tail of the last shot, ahead of the wall: behind it comes more than any wall's echoes."""
    how = procedure(3.5)
    fit = calibrated(EIGHT, 3.5, how)
    truth, phantom = np.linspace(12.0, 22.0, 40), np.linspace(3.5, 6.5, 40)
    both = walls(truth, 3.5).rows.read_block(0, 40).astype(np.float64)
    ahead = walls(phantom, 3.5).rows.read_block(0, 40)
    readings = measure(of_codes(both + 0.35 * ahead), how, fit)
    off = np.abs(readings.thickness_mm - truth)
    assert (off > 1.0).any()
    assert (readings.flags[off > 1.0] != 0).all()


def with_larger_echoes(thickness: FloatArray, factor: float) -> Scan:
    """Return plates whose echoes from the third on are so many times what the first two are."""
    signal = _clean(tuple(thickness.tolist()), 3.5).astype(np.float64)
    later = np.rint(4.0 * thickness / 5.92 * 100.0).astype(int)
    for row, late in enumerate(later):
        signal[row, late:] += factor * signal[row, : signal.shape[1] - late]
    return of_codes(signal / (1.0 + factor))


def test_first_echoes_far_smaller_than_later_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    """Walls well within the focus: the steps show how small a first echo may be.

    Without what they show, the largest echoes are taken for the first ones.
    """
    how, steps, truth = procedure(3.5), np.array([2.5, 5.0, 8.0, 12.0]), np.linspace(3.0, 11.5, 40)
    calibration = calibrate(with_larger_echoes(steps, 7.0), how, steps, u_known_mm=1e-5)
    assert min(calibration.learned[ARRIVAL_RATIO]["wall"]) < 0.15
    readings = measure(with_larger_echoes(truth, 7.0), how, calibration)
    assert np.abs(readings.thickness_mm - truth).max() < 0.01
    monkeypatch.setattr("ascan.engine.taught.OF_USUAL_SHARE", 10.0)
    unguided = measure(with_larger_echoes(truth, 7.0), how, calibration)
    assert np.nanmax(unguided.thickness_mm - truth) > 1.0


def test_second_echoes_are_expected_where_the_steps_had_them() -> None:
    arrivals = calibrated(EIGHT, 3.5, procedure(3.5)).arrivals
    assert arrivals is not None
    known, used = np.repeat([3.0, 7.5, 12.0], 2), np.array([True] * 5 + [False])
    table = table_of(known, np.full(6, 0.01))
    on = StepReadings(
        columns={"second_echo_delay_us": np.array([0.10, 0.12, np.nan, np.nan, 0.02, 5.0])},
        layout=procedure(3.5).layout,
        steps=dataclasses.replace(table, used=np.ones(3, np.bool_)),
        ids=table.ids_of(known),
        used=used,
        sound=used,
    )
    late_us = second_echo.learn(on)["wall"]
    # The step on which it was not heard takes it from those beside.
    assert late_us == pytest.approx((0.11, 0.065, 0.02))
    moved = with_second(arrivals, table.thickness_mm, late_us).second_us - arrivals.second_us
    expected = np.interp(arrivals.thickness_mm, [3.0, 12.0], [0.11, 0.02])
    assert np.abs(moved - expected).max() < 1e-12
    deaf = dataclasses.replace(on, columns={"second_echo_delay_us": np.full(6, np.nan)})
    assert second_echo.learn(deaf) == {}


def test_a_second_echo_at_another_time_than_on_the_steps_is_told() -> None:
    """A worn wedge makes both echoes early by half a period: the wall seems 0.2 mm thinner.

    As late, a half-cycle of the second echo fits about as well, and it is not told.
    """
    how, truth = procedure(3.5), np.linspace(5.0, 9.0, 9)
    fit = calibrated(EIGHT, 3.5, how)
    whole = walls(truth, 3.5, 50.0).rows.read_block(0, truth.size)
    early = np.roll(whole, -10, axis=1)
    readings = measure(of_codes(np.stack([*whole, *early])), how, fit)
    uneven = readings.flags & np.uint32(Flag.UNEVEN_SPACING) != 0
    assert not uneven[:9].any()
    assert uneven[9:].mean() > 0.5
    assert np.abs(readings.thickness_mm[9:] - truth).min() > 0.15


BETWEEN = np.linspace(3.2, 17.0, 12)


def test_a_first_echo_without_its_second_is_doubtful() -> None:
    """Steps had second echoes; these walls' records are silent from where theirs would begin."""
    how, uneven = procedure(3.5), np.uint32(Flag.UNEVEN_SPACING)
    fit = calibrated(EIGHT, 3.5, how)
    truth = BETWEEN[BETWEEN > 4.0]
    whole = walls(truth, 3.5, 45.0)
    alone = whole.rows.read_block(0, truth.size).astype(np.float64)
    readings = measure(whole, how, fit)
    assert not (readings.flags & uneven).any()
    for row, first_us in enumerate(readings.columns["wall_time_us"]):
        second = first_us + 2.0 * truth[row] / 5.92
        alone[row, int((second - 0.2 - 4.0) * 100.0) :] = 0.0
    assert (measure(of_codes(alone), how, fit).flags & uneven).all()


def test_a_small_echo_ahead_of_the_head_is_told() -> None:
    """Part of the beam meets a wall thinner by 1 mm: a fifth of the echo comes from there."""
    how, other = procedure(3.5), np.uint32(Flag.UNEXPECTED_ECHO)
    fit = calibrated(EIGHT, 3.5, how)
    sound = walls(BETWEEN, 3.5, 45.0).rows.read_block(0, BETWEEN.size).astype(np.float64)
    thinner = walls(BETWEEN - 1.0, 3.5).rows.read_block(0, BETWEEN.size).astype(np.float64)
    assert not (measure(of_codes(sound), how, fit).flags & other).any()
    readings = measure(of_codes(0.8 * sound + 0.2 * thinner), how, fit)
    wrong = np.abs(readings.thickness_mm - (BETWEEN - 1.0)) > 0.15
    assert wrong.any()
    assert (readings.flags[wrong] != 0).all()
    assert (readings.flags[wrong] & other).mean() > 0.0


def test_heights_are_held_against_those_of_the_steps_beside() -> None:
    """Within its focus a dual probe hears middling walls far better than thin and thick ones."""
    how, weak = procedure(3.5), np.uint32(Flag.WEAK_ECHO)
    fit = calibrated(EIGHT, 3.5, how)
    low, middle, high = (fit.learned[RELATIVE_AMPLITUDE]["wall"][k] for k in (0, 4, 7))
    assert middle > 1.3 * max(low, high)
    sound = walls(BETWEEN, 3.5, 50.0).rows.read_block(0, BETWEEN.size).astype(np.float64)
    assert not (measure(of_codes(0.6 * sound), how, fit).flags & weak).any()
    assert (measure(of_codes(0.4 * sound), how, fit).flags & weak).all()


@pytest.mark.parametrize("late_us", [-0.03, 0.02, 0.04])
def test_a_probe_that_has_become_late_is_covered_or_marked(late_us: float) -> None:
    """A warm wedge, a film: thick walls, whose second echo is not heard, take it from the scan."""
    how = procedure(3.5)
    fit = calibrated(EIGHT, 3.5, how)
    truth = np.geomspace(2.0, 24.0, 80)
    scan = walls(truth, 3.5)
    late = dataclasses.replace(scan, start_time_us=scan.start_time_us + late_us)
    readings = measure(late, how, fit)
    error = np.abs(readings.thickness_mm - truth)
    assert np.median(error) > 0.5 * 0.5 * 5.92 * abs(late_us)
    usual_us = readings.columns["scan_delay_us"][0]
    assert usual_us == pytest.approx(-late_us, abs=0.015)
    covered = error < 1.1 * readings.columns["expanded_on_block_mm"]
    assert (covered | (readings.flags != 0)).mean() >= 0.95
