"""Drawn times have the statistics that they state, and counts the uncertainty that they state."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

# The benches are no package: they find each other in their own folder.
sys.path.append(str(Path(__file__).resolve().parents[2] / "benches"))

from counted import Observed, observed
from drawn_times import (
    BLOCKS,
    ELEMENT_MM,
    GRID,
    LACK_US,
    NOISE_US,
    RANGE_MM,
    REPEAT_US,
    U_BLOCK_MM,
    VELOCITY_MM_PER_US,
    ZERO_US,
    Case,
    calibration_of,
    lack_table,
    lack_us,
    step_times_us,
    times_us,
    walls_of,
)
from stated_coverage import written

from ascan.path.diffraction import lead_table

MILD_US = LACK_US["mild"]
TRIALS = 20_000
SPREAD_US = float(np.hypot(NOISE_US, REPEAT_US))
BLOCK_US = 2.0 * U_BLOCK_MM / VELOCITY_MM_PER_US


def test_the_grid_holds_every_case_once() -> None:
    assert len({str(case) for case in GRID}) == len(GRID) == 4 * 4 * len(LACK_US) * len(BLOCKS)


@pytest.mark.parametrize("block", BLOCKS)
@pytest.mark.parametrize("lack", ["none", "mild"])
def test_step_times_scatter_as_stated(block: str, lack: str) -> None:
    """Mean, scatter of repeats, and covariance of the steps, of 20 000 blocks of 3 readings each.

    A mean scatters by u / √n, a variance by √(2 / n) of itself, a covariance by at most as much of
    the larger variance: 1 %. Five of these are allowed.
    """
    case = Case(readings=3, steps=3, lack=lack, block=block)
    times = step_times_us(case, TRIALS, np.random.default_rng(7)).reshape(TRIALS, 3, 3)
    nominal = case.nominal_mm[::3]
    expected = ZERO_US + 2.0 * nominal / VELOCITY_MM_PER_US + lack_us(nominal, LACK_US[lack])
    u_mean = np.hypot(SPREAD_US, BLOCK_US) / np.sqrt(TRIALS)
    assert times.mean(axis=(0, 2)) == pytest.approx(expected, abs=5.0 * u_mean)
    repeats = times.var(axis=2, ddof=1).mean(axis=0)
    assert repeats == pytest.approx(SPREAD_US**2, rel=0.05)
    shared = {"common": np.ones((3, 3)), "own": np.eye(3)}[block]
    covariance = BLOCK_US**2 * shared + np.eye(3) * SPREAD_US**2 / 3.0
    tolerance = 0.05 * (BLOCK_US**2 + SPREAD_US**2 / 3.0)
    assert np.cov(times.mean(axis=2).T) == pytest.approx(covariance, abs=tolerance)


def test_component_times_hold_no_block() -> None:
    case = Case(readings=1, steps=2, lack="none", block="common")
    wall = np.full(TRIALS, 8.0)
    off = times_us(case, wall, np.random.default_rng(8)) - ZERO_US - 16.0 / VELOCITY_MM_PER_US
    assert off.std() == pytest.approx(SPREAD_US, rel=0.025)
    # Neighbours in a row of readings have nothing in common.
    assert abs(np.corrcoef(off[1:], off[:-1])[0, 1]) < 5.0 / np.sqrt(TRIALS)


def test_the_lack_of_fit_is_that_of_diffraction_without_its_line() -> None:
    """5 ns at most, no line left in it, and of its natural size within 2 %."""
    wall = np.linspace(*RANGE_MM, 1701)
    off = lack_us(wall, MILD_US)
    assert np.abs(off).max() == pytest.approx(MILD_US, rel=1e-9)
    assert np.polyfit(wall - wall.mean(), off, 1) == pytest.approx([0.0, 0.0], abs=1e-8)
    path, lead = lead_table(ELEMENT_MM, 5.0, 0.6, VELOCITY_MM_PER_US)
    table = lack_table()
    late = table.intercept_us + table.slope_us_per_mm * wall + off
    assert late == pytest.approx(-np.interp(2.0 * wall, path, lead), abs=0.02 * MILD_US)


def test_times_without_errors_are_read_back() -> None:
    """The calibration of an exact line reads walls to the last digits, at the drawn noise."""
    case = Case(readings=3, steps=3, lack="none", block="own")
    exact = ZERO_US + 2.0 * case.nominal_mm / VELOCITY_MM_PER_US
    fit = calibration_of(case, exact)
    assert (fit.zero_us, fit.velocity_mm_per_us) == pytest.approx(
        (ZERO_US, VELOCITY_MM_PER_US), abs=1e-9
    )
    read = walls_of(case, fit, np.array([ZERO_US + 16.0 / VELOCITY_MM_PER_US]))
    assert read.thickness_mm[0] == pytest.approx(8.0, abs=1e-8)
    assert read.columns["u_random_mm"][0] == pytest.approx(
        0.5 * VELOCITY_MM_PER_US * NOISE_US, rel=1e-6
    )
    assert (fit.steps.u_thickness_mm == U_BLOCK_MM).all()


def test_counts_state_how_far_they_can_be_trusted() -> None:
    """Normal errors of u 1 are within ±1.96 in 95 %; the count's own interval holds that in 95 %.

    Of 1000 counts, 950 ± 7 hold it; three of these are allowed.
    """
    rng = np.random.default_rng(9)
    off = rng.standard_normal((1000, 400))
    counts = [observed(one, np.full(400, 1.96)) for one in off]
    holding = sum(count.mark == " " for count in counts)
    assert 929 <= holding <= 971
    assert np.mean([count.percent for count in counts]) == pytest.approx(95.0, abs=0.12)
    assert counts[0].width == pytest.approx(3.92)
    assert (Observed(90, 100, 1.0).mark, Observed(100, 100, 1.0).mark) == (" ", ">")
    assert Observed(80, 100, 1.0).mark == "<"
    refused = observed(np.array([0.1, np.nan, 3.0]), np.ones(3))
    assert (refused.inside, refused.trials) == (1, 2)


def test_a_section_of_results_is_replaced_and_nothing_else() -> None:
    old = "# Top\n\nkept\n\n## Mine\n\nold\n\n### part of it\n\n## Next\n\nkept, too\n"
    new = written(old, "## Mine", "new\n")
    assert new == "# Top\n\nkept\n\n## Mine\n\nnew\n\n## Next\n\nkept, too\n"
    assert written(new, "## Mine", "new") == new
    assert written("# Top\n", "## Mine", "new") == "# Top\n\n## Mine\n\nnew\n"
