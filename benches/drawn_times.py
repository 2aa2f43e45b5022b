"""Interval times of step and component readings, drawn, and what the engine makes of them.

No waveforms: a time is what velocity and zero make of the true thickness, plus what is drawn. The
fit, the thickness and its uncertainty are the engine's own.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ascan import Calibration, Procedure
from ascan.calibration.step_block import fit_steps
from ascan.calibration.step_means import gather_steps
from ascan.engine.read import Interval
from ascan.engine.thickness_stage import ThicknessStage
from ascan.examples import PROCEDURE
from ascan.kernels.arrays import FloatArray
from ascan.path.diffraction import lead_table
from ascan.path.material import Material
from ascan.results.readings import Readings
from ascan.steps.table import table_in_fit

VELOCITY_MM_PER_US, ZERO_US = 5.92, 0.35
NOISE_US, REPEAT_US, U_BLOCK_MM = 1e-3, 2e-3, 0.01
RANGE_MM = (3.0, 20.0)
STEPS_MM = {2: (3.0, 20.0), 3: (3.0, 10.0, 20.0), 5: (3.0, 6.0, 10.0, 15.0, 20.0)}
# Diffraction of a round element so wide, 5 MHz and 60 %, is off the best line through the range by
# 5 ns at most: at the thin end.
LACK_US, ELEMENT_MM, FREQUENCY_MHZ, BANDWIDTH = 5e-3, 4.15, 5.0, 0.6
HOW = Procedure.from_text(PROCEDURE).on_block
STEEL = Material(velocity_mm_per_us=VELOCITY_MM_PER_US, u_velocity_mm_per_us=0.0173)
MODE = "time_zero_to_echo"
BLOCKS = ("none", "common", "own")


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One way of calibrating.

    Attributes
    ----------
    readings : int
        On each step.
    steps : int
        A key of `STEPS_MM`.
    smooth : bool
        Whether the times bend off the line as diffraction makes them.
    block : str
        Error of the block, of standard deviation `U_BLOCK_MM`: ``none``; ``common`` to all steps;
        each step's ``own``, which is what the fit supposes. The fit is told `U_BLOCK_MM` always.
    """

    readings: int
    steps: int
    smooth: bool
    block: str

    def __str__(self) -> str:
        lack = "smooth" if self.smooth else "none"
        return f"readings={self.readings} steps={self.steps} lack={lack} block={self.block}"

    @property
    def nominal_mm(self) -> FloatArray:
        """Certified thickness under each step reading, shape (steps × readings,)."""
        return np.repeat(np.array(STEPS_MM[self.steps]), self.readings)


GRID = tuple(
    Case(readings=readings, steps=steps, smooth=smooth, block=block)
    for smooth in (False, True)
    for block in BLOCKS
    for steps in STEPS_MM
    for readings in (1, 3, 5)
)


class Lack(NamedTuple):
    """Diffraction over the range: its best line, and what is left beside it at each wall."""

    wall_mm: FloatArray
    off_us: FloatArray
    intercept_us: float
    slope_us_per_mm: float


@functools.cache
def lack_table() -> Lack:
    """Return by how much diffraction makes echoes late (`ascan.path.diffraction`), line apart."""
    path_mm, lead_us = lead_table(ELEMENT_MM, FREQUENCY_MHZ, BANDWIDTH, VELOCITY_MM_PER_US)
    wall_mm = np.linspace(*RANGE_MM, 1701)
    late_us = -np.interp(2.0 * wall_mm, path_mm, lead_us)
    slope, intercept = np.polyfit(wall_mm, late_us, 1)
    return Lack(wall_mm, late_us - intercept - slope * wall_mm, float(intercept), float(slope))


def lack_us(wall_mm: FloatArray) -> FloatArray:
    """Return by how much a time is off the line at each wall: `LACK_US` at most.

    The line that fits the range best is taken off: it is part of velocity and zero.
    """
    table = lack_table()
    scale = LACK_US / np.abs(table.off_us).max()
    return np.asarray(scale * np.interp(wall_mm, table.wall_mm, table.off_us))


def block_errors_mm(case: Case, trials: int, rng: np.random.Generator) -> FloatArray:
    """Return true less certified thickness of each step, shape (trials, steps)."""
    columns = case.steps if case.block == "own" else 1
    drawn = U_BLOCK_MM * rng.standard_normal((trials, columns))
    share = 0.0 if case.block == "none" else 1.0
    return np.asarray(share * np.broadcast_to(drawn, (trials, case.steps)))


def times_us(case: Case, wall_mm: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Return a drawn interval for each wall, any shape: line, lack of fit, noise, repeatability."""
    line_us = ZERO_US + 2.0 * wall_mm / VELOCITY_MM_PER_US
    noise_us = NOISE_US * rng.standard_normal(wall_mm.shape)
    repeat_us = REPEAT_US * rng.standard_normal(wall_mm.shape)
    bend_us = lack_us(wall_mm) if case.smooth else 0.0
    return np.asarray(line_us + bend_us + noise_us + repeat_us)


def step_times_us(
    case: Case, trials: int, rng: np.random.Generator, errors_mm: FloatArray | None = None
) -> FloatArray:
    """Return drawn intervals of the step readings, shape (trials, steps × readings).

    Parameters
    ----------
    case : Case
    trials : int
    rng : Generator
    errors_mm : ndarray, shape (trials, steps), optional
        The block's errors; drawn where they are not given.
    """
    errors_mm = block_errors_mm(case, trials, rng) if errors_mm is None else errors_mm
    return times_us(case, case.nominal_mm + np.repeat(errors_mm, case.readings, axis=1), rng)


def calibration_of(case: Case, interval_us: FloatArray) -> Calibration:
    """Return the engine's calibration from step times, shape (steps × readings,)."""
    nominal = case.nominal_mm
    told = [np.full(nominal.size, value) for value in (U_BLOCK_MM, NOISE_US)]
    means = gather_steps(nominal, told[0], interval_us, told[1])
    found = fit_steps(means, MODE, STEEL)
    return Calibration(
        fit=found.fit,
        steps=found.steps,
        table=table_in_fit(found.steps),
        health={},
        signature={"mode": MODE},
        conditions={},
    )


def walls_of(calibration: Calibration, interval_us: FloatArray) -> Readings:
    """Return the engine's readings of component times, shape (n,): the thickness columns."""
    interval = Interval(interval_us, np.full(interval_us.size, NOISE_US))
    stage, flags = ThicknessStage(HOW, calibration), np.zeros(interval_us.size, np.uint32)
    columns = stage.run(interval, flags)
    return Readings(columns | {"flags": flags}, {"sources": {"": stage.sources()}})
