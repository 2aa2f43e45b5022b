"""Alternatives: what else the echoes of a reading may be, and how much speaks against it.

A check that knows another reading of the same echoes weighs it: the odds are twice the natural log
of how much likelier the reading is than its alternative, 0 where neither is. One that is as likely
sets its check's flag; the likeliest one stands in the columns.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, field

import numpy as np

from ascan.kernels.arrays import FloatArray, IntArray


class Cause(enum.IntEnum):
    """What an alternative takes the timed echo for."""

    NONE = 0
    HALF_CYCLE = 1
    LATER_ECHO = 2
    INTERFACE_MULTIPLE = 3
    OTHER_SPACING = 4


@dataclass(eq=False, slots=True)
class Alternatives:
    """The likeliest alternative of each of n readings, as the checks go by.

    Attributes
    ----------
    odds : ndarray, shape (n,)
        Of the reading against it; infinite where none was weighed.
    interval_us : ndarray, shape (n,)
        Its interval; NaN where it would leave none.
    cause : ndarray, shape (n,), uint8
        A `Cause`.
    """

    rows: int
    odds: FloatArray = field(init=False)
    interval_us: FloatArray = field(init=False)
    cause: IntArray = field(init=False)

    def __post_init__(self) -> None:
        self.odds = np.full(self.rows, np.inf)
        self.interval_us = np.full(self.rows, np.nan)
        self.cause = np.zeros(self.rows, np.uint8)

    def weigh(self, cause: Cause, odds: FloatArray, interval_us: FloatArray) -> None:
        """Keep this one where it is likelier than those before; NaN odds: it was not weighed."""
        better = odds < self.odds
        self.odds[better] = odds[better]
        self.interval_us[better] = interval_us[better]
        self.cause[better] = cause
