"""Checks of a series: a failed one voids what it casts doubt on, a passed one confirms it."""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.results.shown import length


class CheckStatus(enum.IntEnum):
    """Codes of the column ``check_status``."""

    OPEN = 0
    CONFIRMED = 1
    VOID = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckReading:
    """One reading of a known step.

    Attributes
    ----------
    time_s : float
        Seconds since 1970-01-01 UTC.
    step_mm, u_step_mm, reading_mm, expanded_mm : float
        NaN where the reading was refused; the check has then failed.
    passed : bool
    reason : str
        Why it failed, or "".
    calibration : str
        Digest of the calibration it was read with.
    most_off_mm : float
        The most it might be off; NaN where it is not on record.
    """

    time_s: float
    step_mm: float
    u_step_mm: float
    reading_mm: float
    expanded_mm: float
    passed: bool
    reason: str
    calibration: str
    most_off_mm: float = np.nan

    def __str__(self) -> str:
        off = self.reading_mm - self.step_mm
        told = "not read" if np.isnan(off) else length(off, sign=True)
        word = "passed" if self.passed else f"FAILED: {self.reason}"
        if np.isfinite(self.most_off_mm):
            told += f", allowed {length(self.most_off_mm)}"
        return f"step {length(self.step_mm)}, u {length(self.u_step_mm)}: {told}  {word}"


def check_statuses(
    time_s: FloatArray, checks: Sequence[CheckReading], *, recheck_hours: float | None = None
) -> AnyArray:
    """Return the `CheckStatus` of readings by the checks before and after each, shape (n,), uint8.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        When the readings were taken.
    checks : sequence of CheckReading
        In any order; several at one time count as one, passed where all of them did.
    recheck_hours : float, optional
        Checks further apart confirm nothing between them.

    Notes
    -----
    Void: the last check before or the first after it failed. Confirmed: both passed. Open: one of
    them is missing, or they are too far apart. That a failed check voids what was read since the
    last good one is the principle of the codes (ASME V Article 4 T-467.3, from memory); how much a
    check may be off is the written procedure's.
    """
    moments = np.array(sorted({check.time_s for check in checks}))
    passed = np.array([all(c.passed for c in checks if c.time_s == t) for t in moments], bool)
    out = np.full(time_s.shape, CheckStatus.OPEN, np.uint8)
    if moments.size == 0:
        return out
    after = np.searchsorted(moments, time_s, side="left")
    before = np.searchsorted(moments, time_s, side="right") - 1
    has_before, has_after = before >= 0, after < moments.size
    early, late = np.maximum(before, 0), np.minimum(after, moments.size - 1)
    good = has_before & has_after & passed[early] & passed[late]
    if recheck_hours is not None:
        good &= moments[late] - moments[early] <= 3600.0 * recheck_hours
    out[good] = CheckStatus.CONFIRMED
    out[(has_before & ~passed[early]) | (has_after & ~passed[late])] = CheckStatus.VOID
    return out
