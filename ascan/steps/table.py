"""Known steps: every one that was named, thinnest first, and values that belong to them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ascan.base.stored import freeze_arrays, stored
from ascan.kernels.arrays import BoolArray, FloatArray, IntArray
from ascan.steps.means import Steps


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class StepTable:
    """Every named step; its id is its place, which never changes. Arrays have shape (steps,).

    Attributes
    ----------
    thickness_mm, u_mm : ndarray
        As certified, growing, and its standard uncertainty.
    used : ndarray of bool
        Whether it is in the fit.
    """

    thickness_mm: FloatArray = stored("mm", "certified thickness of every named step")
    u_mm: FloatArray = stored("mm", "its standard uncertainty")
    used: BoolArray = stored("1", "whether it is in the fit")

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def ids_of(self, known_mm: FloatArray) -> IntArray:
        """Return the id of the step under each row, from its certified thickness."""
        return np.searchsorted(self.thickness_mm, known_mm).astype(np.int64)

    def per_step(
        self,
        values: FloatArray,
        ids: IntArray,
        use: BoolArray,
        how: Callable[[FloatArray], float] = np.median,
    ) -> FloatArray:
        """Return one value of each step's rows, shape (steps,); NaN where none of them is used.

        Parameters
        ----------
        values : ndarray, shape (rows,)
        ids : ndarray, shape (rows,)
            The step under each.
        use : ndarray of bool, shape (rows,)
        how : callable
            What makes one of many.
        """
        out = np.full(self.thickness_mm.size, np.nan)
        for step in np.unique(ids[use]):
            out[step] = float(how(values[use & (ids == step)]))
        return out

    def between(
        self, values: FloatArray, thickness_mm: FloatArray, which: np.ufunc = np.maximum
    ) -> FloatArray:
        """Return the larger of what the two steps round each wall showed, shape (n,).

        Only steps that have a value count: a wall thinner than the first of them takes that one's,
        one thicker than the last takes from the last two. NaN where none has.

        Parameters
        ----------
        values : ndarray, shape (steps,)
            NaN where a step taught nothing.
        thickness_mm : ndarray, shape (n,)
        which : ufunc
            `numpy.maximum`, or `numpy.minimum` for the smaller.
        """
        has = ~np.isnan(values)
        each = values[has]
        if each.size == 0:
            return np.full(np.shape(thickness_mm), np.nan)
        after = np.searchsorted(self.thickness_mm[has], thickness_mm).clip(0, each.size - 1)
        return np.asarray(which(each[np.maximum(after - 1, 0)], each[after]))


def table_of(known_mm: FloatArray, u_known_mm: FloatArray) -> StepTable:
    """Return the steps that rows stand on, none of them used yet.

    Examples
    --------
    >>> table = table_of(np.array([10.0, 5.0, 10.0]), np.array([0.02, 0.01, 0.02]))
    >>> table.thickness_mm.tolist(), table.ids_of(np.array([10.0, 5.0])).tolist()
    ([5.0, 10.0], [1, 0])
    """
    steps, step = np.unique(known_mm, return_inverse=True)
    u_mm = np.zeros(steps.size)
    np.maximum.at(u_mm, step, u_known_mm)
    return StepTable(thickness_mm=steps, u_mm=u_mm, used=np.zeros(steps.size, np.bool_))


def table_in_fit(steps: Steps) -> StepTable:
    """Return steps that are all in the fit, as a table."""
    used = np.ones(steps.thickness_mm.size, np.bool_)
    return StepTable(thickness_mm=steps.thickness_mm, u_mm=steps.u_thickness_mm, used=used)
