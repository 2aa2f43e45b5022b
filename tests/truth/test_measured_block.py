"""The measured step block: 1018 steel in water, 5 MHz, 60 MHz sampling, 10 bits.

Nominal steps of 10, 15 and 25 mm without published tolerance; absolute claims hold to about 0.5 %,
so the checks are relative to the 10 mm step. The signals are not part of this project: these tests
skip where they are absent.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from ascan import Calibration, Flag, Procedure, Readings, calibrate, measure, open_scan
from ascan.base.flags import is_marked

COMMON = """
probe = { name = "immersion 5", arrangement = "immersion", frequency_mhz = 5.0, delay_us = 0.5 }
filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }
range = { min_mm = 5.0, max_mm = 30.0 }
[[gate]]
name = "surface"
start_us = 10.0
stop_us = 60.0
threshold = 0.25
half_cycles = "negative"
timing = { method = "first_crossing", level = 0.25 }
[[gate]]
name = "wall"
follows = "surface"
start_mm = 7.0
stop_mm = 30.0
threshold = 0.04
echo = "largest"
half_cycles = "positive"
[[gate]]
name = "wall_2"
follows = "wall"
start_mm = 7.0
stop_mm = 30.0
threshold = 0.04
echo = "largest"
half_cycles = "same"
"""
ECHOES = Procedure.from_text(
    'interval = { mode = "echo_to_echo", gates = ["wall", "wall_2"] }\n' + COMMON
)
DIRECT = Procedure.from_text(
    'interval = { mode = "interface_to_echo", gates = ["surface", "wall"] }\n'
    "material = { velocity_mm_per_us = 5.93, u_velocity_mm_per_us = 0.01 }\n" + COMMON
)

WHOLE = """
probe = { name = "immersion 5", arrangement = "immersion", frequency_mhz = 5.0, delay_us = 0.5 }
interval = { mode = "whole_record", gates = ["surface", "wall"] }
[[gate]]
name = "surface"
start_us = 10.0
stop_us = 60.0
threshold = 0.25
half_cycles = "%s"
echo = "largest"
[[gate]]
name = "wall"
follows = "surface"
start_mm = 4.0
stop_mm = 30.0
threshold = 0.04
"""


def calibrated(path: Path, procedure: Procedure) -> tuple[Readings, Calibration]:
    scan = open_scan(path)
    known = np.where(np.arange(len(scan)) < 22, 10.0, np.nan)
    calibration = calibrate(scan, procedure, known)
    return measure(scan, procedure, calibration), calibration


def has(readings: Readings, row: int, flag: Flag) -> bool:
    return flag in readings[row].flags


def test_velocity_on_10_mm(measured_block: Path) -> None:
    _, calibration = calibrated(measured_block, ECHOES)
    assert calibration.velocity_mm_per_us == pytest.approx(5.93, abs=0.03)
    assert calibration.steps.readings[0] >= 8


def test_15_mm_echo_to_echo(measured_block: Path) -> None:
    """15.00 ± 0.03 mm, clipped echoes and the range flagged, whatever the recorder typed."""
    readings, _ = calibrated(measured_block, ECHOES)
    for row in (22, 23, 24):
        assert readings.thickness_mm[row] == pytest.approx(15.0, abs=0.03)
        assert has(readings, row, Flag.SATURATED)
        assert has(readings, row, Flag.OUTSIDE_CALIBRATED_RANGE)


def test_25_mm_surface_to_wall(measured_block: Path) -> None:
    readings, _ = calibrated(measured_block, DIRECT)
    for row in (25, 26, 27):
        assert readings.thickness_mm[row] == pytest.approx(25.0, abs=0.2)
        assert has(readings, row, Flag.OUTSIDE_CALIBRATED_RANGE)
        assert abs(readings.thickness_mm[row] - 25.0) < 2.0 * readings.u_on_block_mm[row]


def test_25_mm_echo_to_echo_is_never_silent(measured_block: Path) -> None:
    """The interface echo's repeat covers the second back-wall echo: right, or flagged as that."""
    readings, _ = calibrated(measured_block, ECHOES)
    for row in (25, 26, 27):
        right = abs(readings.thickness_mm[row] - 25.0) < 0.2
        flagged = has(readings, row, Flag.INTERFACE_MULTIPLE) or has(
            readings, row, Flag.UNEVEN_SPACING
        )
        assert right or flagged


@pytest.mark.parametrize("half_cycles", ["positive", "negative"])
def test_whole_records_whatever_half_cycle_was_picked(
    measured_block: Path, half_cycles: str
) -> None:
    """Most interface echoes clip: a pick may be any of their crests; the model is not misled.

    Calibrated on 10 and 25 mm; the 15 mm step is nominal.
    """
    with np.load(measured_block) as file:
        truth = file["checked_mm"]
    scan, procedure = open_scan(measured_block), Procedure.from_text(WHOLE % half_cycles)
    calibration = calibrate(scan, procedure, np.where(truth == 15.0, np.nan, truth))
    readings = measure(scan, procedure, calibration)
    error = readings.thickness_mm - truth
    clean = ~is_marked(readings.flags)
    assert clean.sum() >= 15
    assert (np.abs(error[clean]) < 0.05).all()
    assert clean[22:25].all()
    assert np.abs(error[22:25]).max() < 0.02


def test_every_clean_reading_of_the_file_is_right(measured_block: Path) -> None:
    """No row without a flag is off by more than twice its expanded uncertainty."""
    with np.load(measured_block) as file:
        truth = file["checked_mm"]
    for procedure in (ECHOES, DIRECT):
        readings, _ = calibrated(measured_block, procedure)
        clean = ~is_marked(readings.flags)
        assert clean.sum() >= 10
        error = readings.thickness_mm[clean] - truth[clean]
        assert (np.abs(error) < 4.0 * readings.u_on_block_mm[clean]).all()
