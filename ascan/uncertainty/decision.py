"""Deciding against a minimum with a guard band; the governing code decides, this only reckons."""

from __future__ import annotations

import enum
from dataclasses import dataclass, field

import numpy as np
from scipy.special import log_ndtr, ndtr

from ascan.base.flags import Flag, is_fatal, is_marked
from ascan.base.tables import number
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray

# The common error is integrated over so many standard deviations either way, in so many steps.
REACH, STEPS = 8.0, 321
BLOCK = 4096
WORDS = {
    "undecided": "no thickness, an upper bound above the minimum, or an influence without a figure",
    "accept": "at least the minimum by more than the guard band",
    "conditional accept": "at least the minimum, but within the guard band or with a care flag",
    "conditional reject": "below the minimum, within the guard band",
    "reject": "below the minimum by more than the guard band",
}


class Verdict(enum.IntEnum):
    """Codes of the column ``decision``, in the order of `WORDS`."""

    UNDECIDED = 0
    ACCEPT = 1
    CONDITIONAL_ACCEPT = 2
    CONDITIONAL_REJECT = 3
    REJECT = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """The minimum thickness and the guard band as a multiple of the expanded uncertainty.

    Attributes
    ----------
    minimum_mm : float
        What a wall must be at least.
    guard : float
        The guard band is so many times the expanded uncertainty.

    References
    ----------
    ILAC-G8:09/2019, 4.2.3: pass, conditional pass, conditional fail and fail with acceptance limits
    at the tolerance limit and a guard band w = guard × U either side.
    """

    minimum_mm: float = number(above=0.0)
    guard: float = number(1.0, least=0.0, most=10.0)

    def decide(
        self,
        thickness_mm: FloatArray,
        expanded_mm: FloatArray,
        flags: FlagArray,
        *,
        decidable: bool,
    ) -> AnyArray:
        """Return a `Verdict` for each reading, uint8.

        A reading with a care flag is never accepted outright. An upper bound can only reject.
        Nothing is decided where an influence is neither stated nor has a figure that can be taken
        for it (``decidable``): a component of another velocity shows in no echo.
        """
        if not decidable:
            return np.full(thickness_mm.shape, Verdict.UNDECIDED, np.uint8)
        over, band = thickness_mm - self.minimum_mm, self.guard * expanded_mm
        out = np.full(thickness_mm.shape, Verdict.REJECT, np.uint8)
        out[over >= -band] = Verdict.CONDITIONAL_REJECT
        out[over >= 0.0] = Verdict.CONDITIONAL_ACCEPT
        out[(over >= band) & ~is_marked(flags)] = Verdict.ACCEPT
        bound = (flags & np.uint32(Flag.UPPER_BOUND)) != 0
        out[is_fatal(flags) | np.isnan(thickness_mm) | (bound & (over >= 0.0))] = Verdict.UNDECIDED
        return out

    def probability(self, thickness_mm: FloatArray, u_mm: FloatArray) -> FloatArray:
        """Return the probability that the wall is at least the minimum, NaN where there is none.

        References
        ----------
        JCGM 106:2012, 7.2 and 7.3: conformance probability of a normal distribution.
        """
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(ndtr((thickness_mm - self.minimum_mm) / u_mm))


@dataclass(slots=True)
class WholeScan:
    """The probability that every measured position has at least the minimum; adds up by blocks.

    Readings share the calibration's error: given that error they are independent, and it is
    integrated over. Positions refused and ground not scanned are not in it.
    """

    decision: Decision
    shared: FloatArray = field(default_factory=lambda: np.linspace(-REACH, REACH, STEPS))
    log_all: FloatArray = field(default_factory=lambda: np.zeros(STEPS))
    rows: int = 0

    def add(
        self, thickness_mm: FloatArray, u_random_mm: FloatArray, u_common_mm: FloatArray
    ) -> None:
        """Add a block of readings; those without a thickness are passed over."""
        over = thickness_mm - self.decision.minimum_mm
        known = ~np.isnan(over)
        self.rows += int(known.sum())
        # What lies so far above the minimum adds nothing.
        near = np.flatnonzero(known & ~(over > REACH * (u_random_mm + u_common_mm)))
        for start in range(0, near.size, BLOCK):
            rows = near[start : start + BLOCK, None]
            at = over[rows] + u_common_mm[rows] * self.shared
            self.log_all += log_ndtr(at / np.maximum(u_random_mm[rows], 1e-12)).sum(axis=0)

    @property
    def probability(self) -> float:
        """That of all positions together."""
        weight = np.exp(-0.5 * self.shared**2)
        return float((weight * np.exp(self.log_all)).sum() / weight.sum())
