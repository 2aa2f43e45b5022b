"""What goes wrong on a step block: each is named, none is fitted silently."""

from __future__ import annotations

import numpy as np
import pytest

from ascan import AscanError, Calibration, Flag, Procedure, Scan, calibrate, measure
from ascan.examples import PROCEDURE, plate_scan

HOW = Procedure.from_text(PROCEDURE)
TRUE_MM = np.array([5.0, 8.0, 10.0, 15.0, 20.0])


def told(known_mm: list[float], scan: Scan | None = None, how: Procedure = HOW) -> Calibration:
    scan = plate_scan(TRUE_MM[: len(known_mm)]) if scan is None else scan
    return calibrate(scan, how, np.array(known_mm), u_known_mm=0.01)


def is_flagged(calibration: Calibration) -> bool:
    reading = measure(plate_scan(np.array([9.0])), HOW, calibration)
    return bool(reading.flags[0] & np.uint32(Flag.CALIBRATION_IN_DOUBT))


def test_a_sound_block_is_not_doubted() -> None:
    good = told(TRUE_MM.tolist())
    assert not good.is_in_doubt
    assert not is_flagged(good)


def test_two_neighbouring_steps_swapped() -> None:
    """8 and 10 mm exchanged: the line still grows, and the scatter gives it away."""
    swapped = told([5.0, 10.0, 8.0, 15.0, 20.0])
    assert not swapped.health["residuals_explained"]
    assert is_flagged(swapped)


def test_all_steps_in_reverse() -> None:
    with pytest.raises(AscanError, match="allowed: a growing one"):
        told([20.0, 15.0, 10.0, 8.0, 5.0])


def test_one_mislabelled_step_is_named() -> None:
    wrong = told([5.0, 8.0, 12.0, 15.0, 20.0])
    assert "step 12 mm is -2.000 mm off" in wrong.conditions["doubted_step"]
    assert is_flagged(wrong)


def test_one_step_alone_says_that_nothing_tests_it() -> None:
    alone = told([5.0])
    assert not alone.health["residuals_tested"]
    assert any("read one more step" in line for line in alone.warnings)


def test_two_steps_under_one_thickness() -> None:
    """The 8 mm step called 10 mm, too: readings of "one" step scatter by 2 mm."""
    twice = told([5.0, 10.0, 10.0, 15.0, 20.0])
    assert not twice.health["readings_agree"]
    assert any("two steps bear one thickness" in line for line in twice.warnings)
    assert is_flagged(twice)


def test_two_probes_mixed() -> None:
    """Half of the readings come 0.1 µs later, as through another probe's face."""
    time_us = np.arange(1000) / 100.0
    known = np.repeat(TRUE_MM, 2)
    late = np.tile([0.0, 0.1], TRUE_MM.size)
    after = time_us - (2.0 * known / 5.92 + late)[:, None]
    echo = np.exp(-((after / 0.17) ** 2)) * np.cos(2.0 * np.pi * 5.0 * after)
    mixed = told(known.tolist(), Scan.from_array(echo.astype(np.float32), sample_rate_mhz=100.0))
    assert not mixed.health["readings_agree"]
    assert any("two probes are mixed" in line for line in mixed.warnings)
    assert is_flagged(mixed)


def test_inches_for_millimetres() -> None:
    with pytest.raises(AscanError, match="check that the steps are in mm"):
        told((TRUE_MM / 25.4).tolist())


def test_a_block_that_does_not_cover_the_range() -> None:
    wide = Procedure.from_text(PROCEDURE + "\n[range]\nmin_mm = 2.0\nmax_mm = 40.0\n")
    short = told(TRUE_MM.tolist(), how=wide)
    assert not short.health["range_is_bracketed"]
    assert any("do not bracket" in line for line in short.warnings)
    beyond = measure(plate_scan(np.array([23.0])), HOW, told(TRUE_MM.tolist()))
    assert beyond.flags[0] & np.uint32(Flag.OUTSIDE_CALIBRATED_RANGE)
