"""How a learned value is learned: from which readings of the steps, and by what."""

from __future__ import annotations

import enum
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from ascan.kernels.arrays import AnyArray, BoolArray, FloatArray, IntArray
from ascan.path.modes import Layout
from ascan.steps.learned_value import LearnedValue
from ascan.steps.table import StepTable


class Pass(enum.Enum):
    """When the steps are read: what the engine knows by then."""

    CYCLE = "which half-cycle of each echo is timed"
    TIMED = "the nominal times"
    SHAPED = "what echoes look like"
    CALIBRATED = "the fit"
    FOLLOWED = "when the wall's second echo comes (dual probes)"


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class StepReadings:
    """Readings on steps, as the engine gave them in one pass; arrays have shape (rows,).

    Attributes
    ----------
    columns : dict of ndarray
    layout : Layout
    steps : StepTable
    ids : ndarray, int64
        The step under each row.
    used : ndarray of bool
        Rows that are in the fit.
    sound : ndarray of bool
        Rows of which nothing speaks against the echo itself.
    shaped : tuple of str
        Gates whose usual shape was learned from these steps.
    """

    columns: Mapping[str, AnyArray]
    layout: Layout
    steps: StepTable
    ids: IntArray
    used: BoolArray
    sound: BoolArray
    shaped: tuple[str, ...] = ()

    def of_gate(self, gate: str, suffix: str) -> AnyArray:
        """Return a gate's column."""
        return self.columns[f"{gate}_{suffix}"]

    def per_step(
        self, values: FloatArray, how: Callable[[FloatArray], float] = np.median
    ) -> FloatArray:
        """Return one value of each used step's readings; NaN of the others."""
        return self.steps.per_step(values, self.ids, self.used, how)

    def span(self, values: FloatArray) -> FloatArray:
        """Return the least and the largest of the used readings, NaN left out; NaN of nothing."""
        own = values[self.used]
        return np.array([np.fmin.reduce(own), np.fmax.reduce(own)])


@dataclass(frozen=True, slots=True)
class Lesson:
    """A value, the pass after which it is learned, and how: an array for each gate that has one."""

    value: LearnedValue
    after: Pass
    learn: Callable[[StepReadings], Mapping[str, FloatArray]]
