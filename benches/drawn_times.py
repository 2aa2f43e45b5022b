"""Interval times of step and component readings, drawn, and what the engine makes of them.

No waveforms: a time is what velocity and zero make of the true thickness, plus what is drawn. The
fit, the thickness and its uncertainty are the engine's own.
"""

from __future__ import annotations

import dataclasses
import functools
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ascan import Calibration, Procedure
from ascan.calibration.scatter import USUAL_PERIODS
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
STEPS_MM = {
    2: (3.0, 20.0),
    3: (3.0, 10.0, 20.0),
    4: (3.0, 8.0, 14.0, 20.0),
    5: (3.0, 6.0, 10.0, 15.0, 20.0),
}
# Diffraction of a round element so wide, 5 MHz and 60 %, bends the times most at the thin end. Off
# the best line through the range they are by so much there.
LACK_US = {"none": 0.0, "mild": 5e-3, "strong": 15e-3}
ELEMENT_MM, FREQUENCY_MHZ, BANDWIDTH = 4.15, 5.0, 0.6
HOW = Procedure.from_text(PROCEDURE).on_block
REPEAT_STATED = f"[uncertainty]\nrepeatability_mm = {0.5 * VELOCITY_MM_PER_US * REPEAT_US}\n"
STATED_HOW = Procedure.from_text(PROCEDURE + REPEAT_STATED).on_block
STEEL = Material(velocity_mm_per_us=VELOCITY_MM_PER_US, u_velocity_mm_per_us=0.0173)
MODE = "time_zero_to_echo"
BLOCKS = ("common", "own")
# Where all of the block's error is common, its steps differ among themselves by so much.
U_AMONG_MM = 0.001


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One way of calibrating.

    Attributes
    ----------
    readings : int
        On each step.
    steps : int
        A key of `STEPS_MM`.
    lack : str
        A key of `LACK_US`: how far the times bend off the line, as diffraction makes them.
    block : str
        Error of the block, of standard deviation `U_BLOCK_MM`: ``common`` to all steps, or each
        step's ``own``. The engine is told which.
    stated : bool
        Whether the procedure states repeatability and lack of fit as they are.
    """

    readings: int
    steps: int
    lack: str
    block: str
    stated: bool = False

    def __str__(self) -> str:
        stated = " stated" if self.stated else ""
        of = f"readings={self.readings} steps={self.steps}"
        return f"{of} lack={self.lack} block={self.block}{stated}"

    @property
    def nominal_mm(self) -> FloatArray:
        """Certified thickness under each step reading, shape (steps × readings,)."""
        return np.repeat(np.array(STEPS_MM[self.steps]), self.readings)


GRID = tuple(
    Case(readings=readings, steps=steps, lack=lack, block=block)
    for lack in LACK_US
    for block in BLOCKS
    for steps in STEPS_MM
    for readings in (1, 2, 3, 5)
)
# What two steps cannot tell, stated.
STATED = tuple(
    Case(readings=readings, steps=2, lack=lack, block=block, stated=True)
    for lack in LACK_US
    for block in BLOCKS
    for readings in (1, 2, 3, 5)
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


def lack_us(wall_mm: FloatArray, most_us: float) -> FloatArray:
    """Return by how much a time is off the line at each wall: ``most_us`` at most.

    The line that fits the range best is taken off: it is part of velocity and zero.
    """
    table = lack_table()
    scale = most_us / np.abs(table.off_us).max()
    return np.asarray(scale * np.interp(wall_mm, table.wall_mm, table.off_us))


def off_the_chord_us(most_us: float) -> float:
    """Return by how much walls are off the line through the ends of the range, rms."""
    wall_mm = np.linspace(*RANGE_MM, 200)
    off_us = lack_us(wall_mm, most_us)
    return float(np.sqrt(np.mean((off_us - np.interp(wall_mm, RANGE_MM, off_us[[0, -1]])) ** 2)))


def block_errors_mm(case: Case, trials: int, rng: np.random.Generator) -> FloatArray:
    """Return true less certified thickness of each step, shape (trials, steps)."""
    columns = case.steps if case.block == "own" else 1
    drawn = U_BLOCK_MM * rng.standard_normal((trials, columns))
    return np.array(np.broadcast_to(drawn, (trials, case.steps)))


def times_us(case: Case, wall_mm: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Return a drawn interval for each wall, any shape: line, lack of fit, noise, repeatability."""
    line_us = ZERO_US + 2.0 * wall_mm / VELOCITY_MM_PER_US
    noise_us = NOISE_US * rng.standard_normal(wall_mm.shape)
    repeat_us = REPEAT_US * rng.standard_normal(wall_mm.shape)
    bend_us = lack_us(wall_mm, LACK_US[case.lack])
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


def calibration_of(case: Case, interval_us: FloatArray, block: str = "") -> Calibration:
    """Return the engine's calibration from step times, shape (steps × readings,)."""
    nominal = case.nominal_mm
    among_mm, common_mm = (U_AMONG_MM, U_BLOCK_MM) if case.block == "common" else (U_BLOCK_MM, 0.0)
    told = [np.full(nominal.size, value) for value in (among_mm, NOISE_US)]
    means = gather_steps(nominal, told[0], interval_us, told[1])
    usual_us, known_us = USUAL_PERIODS / FREQUENCY_MHZ, None
    if case.stated:
        known_us = off_the_chord_us(LACK_US[case.lack])
    found = fit_steps(means, MODE, STEEL, usual_us=usual_us, known_us=known_us)
    return Calibration(
        fit=dataclasses.replace(found.fit, u_block_common_mm=common_mm),
        steps=found.steps,
        table=table_in_fit(found.steps),
        health={},
        signature={"mode": MODE},
        conditions={"block": block},
    )


def walls_of(case: Case, calibration: Calibration, interval_us: FloatArray) -> Readings:
    """Return the engine's readings of component times, shape (n,): the thickness columns."""
    how = STATED_HOW if case.stated else HOW
    interval = Interval(interval_us, np.full(interval_us.size, NOISE_US))
    stage, flags = ThicknessStage(how, calibration), np.zeros(interval_us.size, np.uint32)
    columns = stage.run(interval, flags)
    return Readings(columns | {"flags": flags}, {"sources": {"": stage.sources()}})
