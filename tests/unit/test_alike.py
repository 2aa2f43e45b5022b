"""Echoes of all steps are placed by one another: the same way round, on the same half-cycle."""

from __future__ import annotations

import numpy as np
import pytest
from builders import SAMPLE_RATE_MHZ, burst, scan_of, wall_procedure

from ascan import AscanError, Flag, Procedure, Scan, calibrate, measure, prepare
from ascan.kernels.arrays import FloatArray
from ascan.learning.alike import lag_on, moved

TIME_US = np.arange(1100) / SAMPLE_RATE_MHZ
V = 5.92


def pulse(late: float, phase_deg: float = 0.0) -> FloatArray:
    at = np.arange(-80, 81) - late
    swing = np.cos(2.0 * np.pi * at / 20.0 + np.deg2rad(phase_deg))
    return np.exp(-0.5 * (at / 14.0) ** 2) * swing


@pytest.mark.parametrize("late", [-11.3, -4.0, 0.0, 0.25, 7.6])
def test_an_echo_is_laid_where_it_is_late(late: float) -> None:
    assert lag_on(pulse(0.0), pulse(late), 18.0) == pytest.approx(late, abs=0.02)
    np.testing.assert_allclose(moved(pulse(late)[None], np.array([late]))[0], pulse(0.0), atol=1e-3)


def test_an_echo_turned_over_is_not_laid_half_a_period_off_but_where_it_fits_the_same_way() -> None:
    """The nearest places of the same way round are half a period to each side."""
    assert abs(lag_on(pulse(0.0), -pulse(0.0), 14.0)) == pytest.approx(10.0, abs=0.5)


def turning(time_us: FloatArray, arrivals_us: FloatArray, turns: FloatArray) -> FloatArray:
    """Return echoes whose wave has turned under its envelope by part of a period."""
    after = time_us - arrivals_us[:, None]
    size = np.exp(-((after / 0.16) ** 2))
    return 0.6 * size * np.sin(2.0 * np.pi * (5.0 * after + turns[:, None]))


def test_steps_whose_wave_turns_under_the_envelope_are_timed_on_one_half_cycle() -> None:
    """Of two steps a fifth of a period apart in phase, as diffraction turns them."""
    steps = np.repeat([4.0, 20.0], 3)
    turns = np.repeat([0.0, 0.2], 3)
    noise = np.random.default_rng(4).normal(0.0, 0.004, (6, TIME_US.size))
    scan = scan_of(turning(TIME_US, 0.4 + 2.0 * steps / V, turns) + noise)
    text = wall_procedure('"correlation"', gate='echo = "largest"').text
    text = text.replace("start_us = 2.0", "start_us = 1.0")
    fit = calibrate(scan, Procedure.from_text(text), steps, u_known_mm=0.005)
    # The turn itself is a delay of 0.04 µs over 16 mm; half a period would be 0.1.
    expected = 2.0 * 16.0 / (2.0 * 16.0 / V - 0.2 * 0.2)
    assert fit.velocity_mm_per_us == pytest.approx(expected, rel=2e-3)
    assert fit.templates["wall"].polarity in (-1, 1)


def test_part_of_a_scan_is_judged_as_all_of_it_was() -> None:
    """In a scan that coupling spreads by 8 dB, 8 dB below is usual; by itself it is weak."""
    rng = np.random.default_rng(6)
    steps, walls = np.array([8.0, 12.0, 16.0]), rng.uniform(9.0, 15.0, 60)
    procedure = wall_procedure()
    fit = calibrate(scan_of(0.9 * burst(TIME_US, 2.0 * steps / V)), procedure, steps)
    size = 0.9 * 10.0 ** (rng.uniform(-8.0, 8.0, 60) / 20.0)
    scan = scan_of(size[:, None] * burst(TIME_US, 2.0 * walls / V))
    readings = measure(scan, procedure, fit)
    least = readings.columns["least_strength"]
    assert (least == least[0]).all()
    assert least[0] < 0.4
    lowest = int(np.argmin(size))
    weak = np.uint32(Flag.WEAK_ECHO)
    assert readings.flags[lowest] & weak == 0
    alone = scan.choose([lowest])
    assert measure(alone, procedure, fit).flags[0] & weak
    assert measure(alone, procedure, fit, like=readings).flags[0] == readings.flags[lowest]
    engine = prepare(
        procedure, fit, dtype="float64", sample_rate_mhz=SAMPLE_RATE_MHZ, like=readings
    )
    one = engine.measure_one(scan.rows.read_block(lowest, lowest + 1)[0])
    assert int(one.flags) == readings.flags[lowest]


def with_gain(gain_db: object, walls: FloatArray, size: FloatArray) -> Scan:
    return Scan.from_array(
        size[:, None] * burst(TIME_US, 2.0 * walls / V),
        sample_rate_mhz=SAMPLE_RATE_MHZ,
        columns={"gain_db": np.asarray(gain_db)},
    )


def test_a_gain_is_taken_off_waveform_by_waveform() -> None:
    """Half the waveforms at 6 dB less, told of all but the last: that one keeps its height."""
    steps, walls = np.array([8.0, 12.0, 16.0]), np.full(6, 12.0)
    half = 10.0 ** (-6.0 / 20.0)
    procedure = wall_procedure()
    block = with_gain([40.0, 40.0, 40.0], steps, np.full(3, 0.9))
    fit = calibrate(block, procedure, steps)
    size = 0.9 * np.array([1.0, half, 1.0, half, half, half])
    gain_db = np.array([40.0, 34.0, 40.0, 34.0, 34.0, np.nan])
    scan = with_gain(gain_db, walls, size)
    relative = measure(scan, procedure, fit).columns["relative_amplitude"]
    assert relative == pytest.approx([1.0, 1.0, 1.0, 1.0, 1.0, half], abs=0.01)
    for row in range(6):
        alone = measure(scan.choose([row]), procedure, fit).columns["relative_amplitude"]
        assert alone[0] == relative[row]


def test_a_gain_in_words_and_readings_that_are_none_are_refused() -> None:
    steps = np.array([8.0, 12.0, 16.0])
    scan = with_gain(["low", "low", "high"], steps, np.full(3, 0.9))
    with pytest.raises(AscanError, match="gain_db: holds no numbers"):
        calibrate(scan, wall_procedure(), steps)
    plain = scan_of(0.9 * burst(TIME_US, 2.0 * steps / V))
    fit = calibrate(plain, wall_procedure(), steps)
    with pytest.raises(AscanError, match="like: is int; allowed: Readings of the whole scan"):
        measure(plain, wall_procedure(), fit, like=5)  # type: ignore[arg-type]
