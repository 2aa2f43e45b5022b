"""The limit that all alternatives of single echoes share."""

from __future__ import annotations

import numpy as np

from ascan.checks.check import Key
from ascan.checks.check_input import CheckInput
from ascan.kernels.arrays import BoolArray, FloatArray

MIN_ALTERNATIVE_ODDS = Key(
    name="min_alternative_odds",
    default=0.0,
    least=-50.0,
    most=50.0,
    meaning="twice the log odds of a pick against being another half-cycle, a later echo or a "
    "repeat of the interface echo (`alternative_odds`); at or below it the flag of that "
    "alternative is set",
    why="even odds",
)


def unsure(seen: CheckInput, odds: FloatArray) -> BoolArray:
    """Return which rows have an alternative that is about as likely.

    ``odds``, shape (n,) or (several, n), NaN where it was not weighed.
    """
    few = odds <= seen.limit(MIN_ALTERNATIVE_ODDS.name)
    return np.asarray(few if odds.ndim == 1 else few.any(axis=0))
