"""How often a stated interval holds the truth, with the uncertainty of that count."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.kernels.arrays import BoolArray, FloatArray


@dataclass(frozen=True, slots=True)
class Observed:
    """A count of independent trials.

    Attributes
    ----------
    inside, trials : int
    width : float
        Mean width of the stated interval, from end to end.
    """

    inside: int
    trials: int
    width: float

    @property
    def percent(self) -> float:
        """Observed coverage."""
        return 100.0 * self.inside / self.trials

    @property
    def pm_percent(self) -> float:
        """Half of its own 95 % interval.

        References
        ----------
        Agresti and Coull 1998, The American Statistician 52, 119-126: the binomial's normal
        interval after two more successes and two more failures (from memory).
        """
        share = (self.inside + 2.0) / (self.trials + 4.0)
        return 196.0 * float(np.sqrt(share * (1.0 - share) / (self.trials + 4.0)))

    @property
    def mark(self) -> str:
        """``<`` or ``>`` where 95 % lies outside what the count allows."""
        low, high = self.percent - self.pm_percent, self.percent + self.pm_percent
        return "<" if high < 95.0 else ">" if low > 95.0 else " "

    def __str__(self) -> str:
        return f"{self.percent:5.1f} ±{self.pm_percent:3.1f}{self.mark}"


def observed(off: FloatArray, half: FloatArray, scale: float = 1.0) -> Observed:
    """Return how often an error is within its interval.

    Parameters
    ----------
    off, half : ndarray, shape (trials,)
        Stated value less truth, and half of the stated interval; NaN where nothing was stated.
    scale : float
        What the width is multiplied by.
    """
    known = np.isfinite(off) & np.isfinite(half)
    return held(np.abs(off[known]) <= half[known], scale * 2.0 * half[known])


def held(inside: BoolArray, width: FloatArray) -> Observed:
    """Return the same from what was found inside."""
    return Observed(int(inside.sum()), inside.size, float(width.mean()) if width.size else np.nan)
