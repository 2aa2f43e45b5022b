"""Two intervals of one record as independent readings: agreement, disagreement, coating."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from ascan_synthetic.synthesis import Synthesis
from ascan_synthetic.tables import ProbeTable, ReceiverTable, RecordTable, Scenario, WallTable
from builders import burst

from ascan import (
    AscanError,
    Flag,
    Procedure,
    Scan,
    calibrate,
    load_calibration,
    load_readings,
    measure,
    measure_to_file,
    save_calibration,
)
from ascan.kernels.arrays import FloatArray

TEXT = """
probe = { arrangement = "contact", frequency_mhz = 5.0 }
filter = { kind = "gaussian", centre_mhz = 5.0, bandwidth_mhz = 3.0 }
interval = { mode = "time_zero_to_echo", gates = ["wall"] }
second_interval = { mode = "echo_to_echo", gates = ["wall", "wall_2"] }
[[gate]]
name = "wall"
start_us = 1.5
stop_us = 4.6
threshold = 0.2
half_cycles = "positive"
[[gate]]
name = "wall_2"
follows = "wall"
start_us = 1.2
stop_us = 4.6
threshold = 0.1
half_cycles = "positive"
"""
COATED = TEXT + "[coating]\nvelocity_mm_per_us = 2.4\n"


def scan(
    thickness_mm: FloatArray, coating_mm: float = 0.0, second_echo_delay_us: float = 0.0
) -> Scan:
    """Two echoes; a coating of 2.4 mm/µs delays both alike; the second may be another's."""
    rng = np.random.default_rng(1)
    time_us = np.arange(1300) / 100.0
    later = 2.0 * coating_mm / 2.4
    once = 2.0 * thickness_mm / 5.92
    signal = 0.6 * burst(time_us, later + once)
    signal += 0.4 * burst(time_us, later + 2.0 * once + second_echo_delay_us)
    return Scan.from_array(signal + rng.normal(0.0, 2e-3, signal.shape), sample_rate_mhz=100.0)


SAME = '"time_zero_to_echo", gates = ["wall"]'
STEPS = np.repeat([6.0, 8.0, 10.0, 12.0], 3)
WALLS = np.linspace(6.0, 12.0, 40)


def test_two_intervals_agree_on_a_bare_wall() -> None:
    procedure = Procedure.from_text(TEXT)
    calibration = calibrate(scan(STEPS), procedure, STEPS, u_known_mm=0.005)
    readings = measure(scan(WALLS), procedure, calibration)
    assert (readings.flags == 0).all()
    assert readings.columns["second_mm"] == pytest.approx(WALLS, abs=0.02)
    assert np.abs(readings.columns["second_off"]).max() < 3.0


def test_a_coating_shows_as_their_difference() -> None:
    """0.3 mm of 2.4 mm/µs makes the direct reading 0.3 × 5.92 / 2.4 = 0.74 mm thick: flagged."""
    bare, coated = Procedure.from_text(TEXT), Procedure.from_text(COATED)
    calibration = calibrate(scan(STEPS), bare, STEPS, u_known_mm=0.005)
    doubted = measure(scan(WALLS, 0.3), bare, calibration)
    assert ((doubted.flags & np.uint32(Flag.SECOND_DISAGREES)) != 0).all()
    assert doubted.columns["second_mm"] == pytest.approx(WALLS, abs=0.02)
    known = calibrate(scan(STEPS), coated, STEPS, u_known_mm=0.005)
    readings = measure(scan(WALLS, 0.3), coated, known)
    assert readings.columns["coating_mm"] == pytest.approx(0.3, abs=0.01)
    assert ((readings.flags & np.uint32(Flag.SECOND_DISAGREES)) == 0).all()


def test_a_second_echo_that_is_not_the_walls_is_seen() -> None:
    procedure = Procedure.from_text(TEXT)
    calibration = calibrate(scan(STEPS), procedure, STEPS, u_known_mm=0.005)
    readings = measure(scan(WALLS, second_echo_delay_us=0.05), procedure, calibration)
    assert ((readings.flags & np.uint32(Flag.SECOND_DISAGREES)) != 0).all()


def test_it_is_kept_in_both_files(tmp_path: Path) -> None:
    procedure = Procedure.from_text(TEXT)
    calibration = calibrate(scan(STEPS), procedure, STEPS, u_known_mm=0.005)
    save_calibration(calibration, tmp_path / "c.h5")
    loaded = load_calibration(tmp_path / "c.h5")
    assert loaded.digest == calibration.digest
    assert loaded.second is not None
    assert loaded.second.mode == "echo_to_echo"
    measure_to_file(scan(WALLS), procedure, loaded, tmp_path / "r.h5")
    kept = load_readings(tmp_path / "r.h5")
    assert kept.columns["second_mm"] == pytest.approx(WALLS, abs=0.02)


def test_wrong_witnesses_are_refused() -> None:
    with pytest.raises(AscanError, match="another mode"):
        Procedure.from_text(
            TEXT.replace(
                '"echo_to_echo", gates = ["wall", "wall_2"]',
                '"time_zero_to_echo", gates = ["wall"]',
            )
        )
    with pytest.raises(AscanError, match="given without a second interval"):
        Procedure.from_text(
            COATED.replace(
                'second_interval = { mode = "echo_to_echo", gates = ["wall", "wall_2"] }', ""
            )
        )
    procedure = Procedure.from_text(TEXT)
    alone = Procedure.from_text(
        TEXT.replace('second_interval = { mode = "echo_to_echo", gates = ["wall", "wall_2"] }', "")
    )
    calibration = calibrate(scan(STEPS), alone, STEPS, u_known_mm=0.005)
    with pytest.raises(AscanError, match="without the procedure's second interval"):
        measure(scan(WALLS), procedure, calibration)


CONVERTED = """
probe = { arrangement = "dual", frequency_mhz = 5.0, delay_us = 0.35, wedge_height_mm = 8.0, \
wedge_velocity_mm_per_us = 2.35, roof_deg = 3.5, element_width_mm = 5.0, element_length_mm = 8.0, \
element_gap_mm = 1.0 }
interval = { mode = "time_zero_to_echo", gates = ["wall"] }
second_interval = { mode = "echo_to_converted", gates = ["wall", "converted"] }
[[gate]]
name = "wall"
start_us = 6.0
stop_us = 17.0
echo = "first_arrival"
[[gate]]
name = "converted"
follows = "wall"
start_us = 0.8
stop_us = 2.0
threshold = 0.01
echo = "largest"
timing = "envelope"
"""


def dual_scan(thickness_mm: FloatArray, late_us: float = 0.0) -> Scan:
    """Aperture-integrated echoes with their mode-converted one, 60 dB; the clock may be late."""
    made = Synthesis(
        Scenario(
            record=RecordTable(samples=1600, start_us=4.0, bits=16),
            probe=ProbeTable(arrangement="dual", roof_deg=3.5),
            wall=WallTable(steps_mm=tuple(thickness_mm.tolist())),
            receiver=ReceiverTable(gain=0.5, noise=0.0),
        )
    )
    signal = made.waveforms().astype(np.float64)
    rng = np.random.default_rng(2)
    signal += 1e-3 * np.abs(signal).max() * rng.standard_normal(signal.shape)
    signal /= 2.0**15
    return Scan.from_array(signal, sample_rate_mhz=100.0, start_time_us=4.0 + late_us)


def test_the_mode_converted_echo_bears_witness() -> None:
    """It comes d (1/v_T − 1/v_L) after the first: with a late clock it does not read thick."""
    procedure = Procedure.from_text(CONVERTED)
    steps = np.repeat([8.0, 9.0, 10.0, 12.0], 3)
    calibration = calibrate(dual_scan(steps), procedure, steps, u_known_mm=0.005)
    assert calibration.second is not None
    by_theory = 2.0 / (1.0 / 3.23 - 1.0 / 5.92)
    assert calibration.second.velocity_mm_per_us == pytest.approx(by_theory, rel=0.05)
    walls = np.linspace(8.0, 12.0, 21)
    readings = measure(dual_scan(walls), procedure, calibration)
    assert np.abs(readings.columns["second_mm"] - walls).max() < 0.12
    assert np.abs(readings.columns["second_off"]).max() < 3.0
    late = measure(dual_scan(walls, 0.6), procedure, calibration)
    assert (late.columns["thickness_mm"] - walls).min() > 1.6
    assert np.abs(late.columns["second_mm"] - walls).max() < 0.12
    assert ((late.flags & np.uint32(Flag.SECOND_DISAGREES)) != 0).mean() > 0.9
