"""What moves a fixed-level crossing and an onset besides noise stands in their uncertainty."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from builders import burst, scan_of, wall_procedure

from ascan import Flag, calibrate, load_calibration, measure, save_calibration
from ascan.engine.measuring import time_echoes
from ascan.engine.taught import AMPLITUDE_RANGE
from ascan.kernels.arrays import FloatArray

V_MM_PER_US = 5.92
STEPS_MM = np.array([8.0, 12.0, 16.0, 20.0])
TIME_US = np.arange(1000) / 100.0


def echoes(thickness_mm: FloatArray, height: FloatArray, noise: float = 1e-3) -> FloatArray:
    rng = np.random.default_rng(5)
    signal = np.asarray(height)[:, None] * burst(TIME_US, 2.0 * thickness_mm / V_MM_PER_US)
    return signal + rng.normal(0.0, noise, signal.shape)


def test_walk_over_the_calibrated_heights_is_in_u() -> None:
    """Heights from 0.5 to 0.8 at a level of 0.3: the crossing walks by some 10 ns, or 30 µm.

    Steps and walls of heights drawn from one span: u covers the errors, which are many times
    what noise makes of them, and is not far too large either.
    """
    procedure = wall_procedure(
        '{ method = "first_crossing", level = 0.3 }', gate='half_cycles = "positive"'
    )
    rng = np.random.default_rng(8)
    steps = np.repeat(STEPS_MM, 8)
    scan = scan_of(echoes(steps, rng.uniform(0.5, 0.8, steps.size)))
    calibration = calibrate(scan, procedure, steps, u_known_mm=0.002)
    low, high = calibration.learned[AMPLITUDE_RANGE]["wall"]
    assert 0.5 <= low < 0.6 < 0.7 < high <= 0.81
    walls = rng.uniform(8.0, 20.0, 2000)
    height = rng.uniform(0.5, 0.8, 2000)
    readings = measure(scan_of(echoes(walls, height)), procedure, calibration)
    error = readings.columns["thickness_mm"] - walls
    u = readings.u_on_block_mm
    noise_alone = 0.5 * V_MM_PER_US * 1e-3 / (2.0 * np.pi * 5.0 * 0.5)
    assert error.std() > 10.0 * noise_alone
    assert 0.5 < np.sqrt(np.mean((error / u) ** 2)) < 1.05


def test_a_span_in_which_another_half_cycle_crosses_first_is_flagged() -> None:
    """The half-cycle before reaches 0.73 of the main one: above 0.55 it is the first to reach 0.4.

    Any polarity counts, so within the span from 0.5 to 0.95 the crossing changes its half-cycle.
    """
    procedure = wall_procedure('{ method = "first_crossing", level = 0.4 }')
    scan = scan_of(echoes(STEPS_MM, np.array([0.5, 0.95, 0.95, 0.95])))
    calibration = calibrate(scan, procedure, STEPS_MM, u_known_mm=0.002)
    readings = measure(scan_of(echoes(np.array([10.0]), [0.9])), procedure, calibration)
    assert readings.flags[0] & np.uint32(Flag.CYCLE_UNCERTAIN)


def test_heights_are_kept_with_the_calibration(tmp_path: Path) -> None:
    procedure = wall_procedure()
    scan = scan_of(echoes(STEPS_MM, np.array([0.5, 0.6, 0.7, 0.8])))
    calibration = calibrate(scan, procedure, STEPS_MM, u_known_mm=0.002)
    save_calibration(calibration, tmp_path / "c.h5")
    loaded = load_calibration(tmp_path / "c.h5")
    made = calibration.learned[AMPLITUDE_RANGE]["wall"]
    assert loaded.learned[AMPLITUDE_RANGE]["wall"].tolist() == made.tolist()
    assert made == pytest.approx((0.5, 0.8), abs=0.01)


@pytest.mark.parametrize("rise", [1, 2, 3])
@pytest.mark.parametrize("snr_db", [14.0, 34.0, 54.0])
def test_the_delay_of_an_onset_is_in_u(rise: int, snr_db: float) -> None:
    """Causal pulses that grow as a power of time: late, and never by much more than 2 u."""
    rng = np.random.default_rng(rise)
    begin_us = 4.0 + rng.uniform(0.0, 1.0, 300)
    after = np.clip(TIME_US - begin_us[:, None], 0.0, None) / (0.2 / rise)
    pulse = after**rise * np.exp(rise - after) * np.sin(2.0 * np.pi * 5.0 * after * 0.2 / rise)
    pulse *= 0.5 / np.abs(pulse).max()
    record = pulse + rng.normal(0.0, 0.5 * 10.0 ** (-snr_db / 20.0), pulse.shape)
    procedure = wall_procedure('"onset"', "checks = { min_snr_db = 6.0 }", gate='echo = "largest"')
    times = time_echoes(scan_of(record), procedure).picks("wall")
    late, u = times["time_us"] - begin_us, times["u_time_us"]
    assert np.isfinite(late).mean() > 0.99
    assert 0.0 < np.nanmedian(late) < 2.6 * np.nanmedian(u)
    assert np.nanmedian(u) < 0.15
