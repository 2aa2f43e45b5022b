"""Survey figures of drawn readings: mean, least, area below a limit, loss and rate.

A surface of 5 by 5 cells with one reading in each; its places, cells and figures are the engine's
own (`ascan.survey`).
"""

from __future__ import annotations

import numpy as np
from counted import Observed, observed
from drawn_times import (
    Case,
    block_errors_mm,
    calibration_of,
    step_times_us,
    times_us,
    walls_of,
)

from ascan import Calibration
from ascan.kernels.arrays import FloatArray
from ascan.survey import Cells, Places, change_between, figures_of, to_cells
from ascan.survey.change import Change

SIDE, LOSS_MM, YEARS = 5, 0.05, 2.0
X_MM, Y_MM = (grid.ravel() for grid in np.meshgrid(np.arange(float(SIDE)), np.arange(float(SIDE))))
# Half of the 95 % interval, where a figure states its standard uncertainty and no interval.
NORMAL = 1.96
# The wall is this at its middle, drawn anew in each trial.
MIDDLE_MM = (4.5, 19.5)
# A slope over the cells, and one cell thinner than all others.
SLOPE_MM, PIT_MM, LIMITS_MM = 0.3, 1.0, 0.2
# An even wall stands so much above its limit at most.
ABOVE_MM = 0.03
CASES = (
    Case(readings=3, steps=3, lack="none", block="own"),
    Case(readings=3, steps=3, lack="none", block="common"),
    Case(readings=1, steps=3, lack="none", block="own"),
    Case(readings=3, steps=2, lack="mild", block="own"),
    Case(readings=5, steps=5, lack="mild", block="common"),
    Case(readings=5, steps=5, lack="none", block="own"),
)
UNITS = {"mean": "µm", "least": "µm", "loss": "µm", "most": "µm", "rate": "µm/a", "area": "mm²"}
# A stated figure less the truth, and half of its interval.
Stated = dict[str, tuple[float, float]]


def sloped_mm(middle_mm: float) -> FloatArray:
    """Return a wall that slopes from cell to cell, with a pit, shape (cells,)."""
    wall = middle_mm + SLOPE_MM * (np.arange(SIDE * SIDE) / (SIDE * SIDE - 1.0) - 0.5)
    wall[SIDE * SIDE // 2] -= PIT_MM
    return np.asarray(wall)


def cells_of(
    case: Case, calibration: Calibration, wall_mm: FloatArray, rng: np.random.Generator
) -> Cells:
    """Return one drawn reading in each cell."""
    read = walls_of(case, calibration, times_us(case, wall_mm, rng))
    places = Places(
        x_mm=X_MM,
        y_mm=Y_MM,
        thickness_mm=read.thickness_mm,
        u_random_mm=read.columns["u_random_mm"],
        shared=read.shared,
        flags=np.zeros(X_MM.size, np.uint32),
        row=np.arange(X_MM.size),
        random_freedom=read.columns["random_freedom"],
    )
    return to_cells(places, cell_mm=1.0)


def figures_against_truth(cells: Cells, wall_mm: FloatArray, limit_mm: float, name: str) -> Stated:
    """Return what the figures of one surface state."""
    found = figures_of(cells, (limit_mm,))
    below, off_mm = found.below[0], found.least_mm - float(wall_mm.min())
    true_mm2 = float((wall_mm < limit_mm).sum())
    return {
        f"mean, {name}": (found.mean_mm - float(wall_mm.mean()), NORMAL * found.u_mean_mm),
        f"least, {name}": (off_mm, NORMAL * found.u_least_mm),
        f"least and low_by, {name}": (off_mm + found.low_by_mm, NORMAL * found.u_least_mm),
        f"area below, {name}": (below.expected_mm2 - true_mm2, NORMAL * below.u_mm2),
    }


def losses_against_truth(change: Change, name: str) -> Stated:
    """Return what a change states of one cell, and of the cell that has lost most."""
    off, half = change.loss_mm - LOSS_MM, change.expanded_loss_mm
    off_rate = change.rate_mm_per_year - LOSS_MM / YEARS
    half_rate = change.expanded_loss_mm / YEARS
    most = int(np.argmax(change.loss_mm))
    half_most = change.together[most] * change.u_loss_mm[most]
    return {
        f"loss, {name}": (off[0], half[0]),
        f"most loss of all cells, {name}": (off[most], half_most),
        # Years count as exact: what is true of the loss is true of the rate.
        f"rate, {name}": (off_rate[0], half_rate[0]),
    }


def trial(case: Case, rng: np.random.Generator) -> Stated:
    """Draw two blocks, three calibrations, and the surveys made with them."""
    errors_mm = block_errors_mm(case, 2, rng)[[0, 0, 1]]
    steps_us = step_times_us(case, 3, rng, errors_mm)
    blocks = zip(steps_us, ("one", "one", "other"), strict=True)
    once, again, elsewhere = (calibration_of(case, times, block) for times, block in blocks)
    middle = rng.uniform(*MIDDLE_MM)
    sloped, even = sloped_mm(middle), np.full(X_MM.size, middle)
    limit = middle + LIMITS_MM * rng.uniform(-0.5, 0.5)
    earlier = cells_of(case, once, sloped, rng)
    stated = figures_against_truth(earlier, sloped, limit, "sloped")
    flat = cells_of(case, once, even, rng)
    stated |= figures_against_truth(flat, even, middle - ABOVE_MM * rng.random(), "even")
    # The low_by is that of an even wall; the mean of an even wall is like that of any.
    del stated["least and low_by, sloped"], stated["mean, even"]
    for calibration, name in (
        (once, "one calibration"),
        (again, "two, one block"),
        (elsewhere, "two, two blocks"),
    ):
        later = cells_of(case, calibration, sloped - LOSS_MM, rng)
        change = change_between(earlier.told, later.told, YEARS)
        stated |= losses_against_truth(change, name)
    del stated["rate, two, one block"]
    return stated


def survey_coverage(case: Case, trials: int, rng: np.random.Generator) -> dict[str, Observed]:
    """Return how often each figure's interval held the truth; widths as in `UNITS`."""
    drawn = [trial(case, rng) for _ in range(trials)]
    out = {}
    for name in drawn[0]:
        pairs = np.array([one[name] for one in drawn])
        scale = 1.0 if name.startswith("area") else 1e3
        out[name] = observed(pairs[:, 0], pairs[:, 1], scale)
    return out
