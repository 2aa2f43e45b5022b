"""What counts as a wrong reading, and as a hidden wall: two definitions, the same everywhere.

*Value wrong*: the reading is off its claimed truth by more than the largest of its expanded
uncertainty against the block (a component of another velocity is no fault of a reading), an eighth
of a wavelength, and 1 % of the wall.

*Thinner wall hidden*: under the beam (−6 dB) lies a wall thinner by more than 0.2 mm than the
reading's lower bound, which is the thickness less its expanded uncertainty.

A reading claims a wall between the least and the mean under its beam. The wall under the axis is
kept beside them: where it is thicker than the mean, a reading of it claims too much.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ascan.base.flags import NOTES, is_fatal, is_marked
from ascan.kernels.arrays import AnyArray, BoolArray, FlagArray, FloatArray

WALL_SHARE, HIDDEN_MM = 0.01, 0.2
RIGHT_UNMARKED, RIGHT_MARKED = "right unmarked", "right marked"
WRONG_MARKED, WRONG_UNMARKED = "wrong marked", "wrong unmarked"
REFUSED = "refused"
OUTCOMES = (RIGHT_UNMARKED, RIGHT_MARKED, WRONG_MARKED, WRONG_UNMARKED, REFUSED)


@dataclass(frozen=True, eq=False, slots=True)
class Truth:
    """What lies under each beam.

    Attributes
    ----------
    axis_mm, mean_mm, least_mm : ndarray, shape (n,), mm
        Wall under the axis; mean and least under the −6 dB footprint.
    claims_mm : ndarray, shape (2 k, n), mm, optional
        Pairs of bounds, least and most, between which a reading is right, where these are not the
        least and the mean: either face of a sheet, either of two walls. NaN: nothing is right.
    """

    axis_mm: FloatArray
    mean_mm: FloatArray
    least_mm: FloatArray
    claims_mm: FloatArray | None = None

    @property
    def claims(self) -> FloatArray:
        """Pairs of bounds between which a reading is right, shape (2 k, n), mm."""
        if self.claims_mm is not None:
            return self.claims_mm
        return np.stack([self.least_mm, np.maximum(self.mean_mm, self.least_mm)])


def flat(thickness_mm: FloatArray) -> Truth:
    """Return the truth of flat walls, shape (n,), mm."""
    return Truth(thickness_mm, thickness_mm, thickness_mm)


def eighth_mm(velocity_mm_per_us: float, frequency_mhz: float) -> float:
    """Return an eighth of a wavelength (velocity over frequency, over 8)."""
    return velocity_mm_per_us / frequency_mhz / 8.0


def off_mm(thickness_mm: FloatArray, claims_mm: FloatArray) -> FloatArray:
    """Return how far readings are off what they claim, mm; infinite where nothing is right.

    Parameters
    ----------
    thickness_mm : ndarray, shape (n,)
    claims_mm : ndarray, shape (2 k, n)
        Pairs of bounds; the nearest pair counts.
    """
    beyond = np.maximum(claims_mm[::2] - thickness_mm, thickness_mm - claims_mm[1::2])
    off = np.maximum(np.where(np.isnan(beyond), np.inf, beyond), 0.0).min(axis=0)
    return np.asarray(off)


def tolerance_mm(expanded_mm: FloatArray, wall_mm: FloatArray, eighth: float) -> FloatArray:
    """Return by how much a reading may be off, shape (n,), mm; a NaN allows nothing by itself."""
    return np.asarray(np.fmax(np.fmax(expanded_mm, WALL_SHARE * wall_mm), eighth))


def value_wrong(
    thickness_mm: FloatArray, claims_mm: FloatArray, expanded_mm: FloatArray, eighth: float
) -> BoolArray:
    """Return which readings have a wrong value, shape (n,); one of NaN is refused, not wrong.

    The wall, 1 % of which is allowed, is the most that may be claimed.
    """
    allowed = tolerance_mm(expanded_mm, np.fmax.reduce(claims_mm[1::2]), eighth)
    return np.isfinite(thickness_mm) & (off_mm(thickness_mm, claims_mm) > allowed)


def thinner_hidden(
    thickness_mm: FloatArray, expanded_mm: FloatArray, least_mm: FloatArray
) -> BoolArray:
    """Return which readings hide a thinner wall, shape (n,).

    Without an expanded uncertainty the lower bound is the reading itself. A truth of NaN hides
    nothing.
    """
    lower = thickness_mm - np.nan_to_num(expanded_mm, nan=0.0)
    with np.errstate(invalid="ignore"):
        return np.asarray(lower - least_mm > HIDDEN_MM)


@dataclass(frozen=True, eq=False, slots=True)
class Verdicts:
    """One verdict a row, every array of shape (n,).

    Attributes
    ----------
    outcome : ndarray of str
        One of `OUTCOMES`.
    marked, hidden : ndarray of bool
        Whether a flag stands; whether a thinner wall is hidden (never of a refused reading).
    alone : ndarray of uint32
        The flag of a right reading that is marked by it alone, else 0.
    """

    outcome: npt.NDArray[np.str_]
    marked: BoolArray
    hidden: BoolArray
    alone: FlagArray

    @property
    def hidden_marked(self) -> BoolArray:
        """Which hide a thinner wall and are marked."""
        return self.hidden & self.marked

    @property
    def hidden_unmarked(self) -> BoolArray:
        """Which hide a thinner wall without a word."""
        return self.hidden & ~self.marked


def verdicts(columns: Mapping[str, AnyArray], truth: Truth, eighth: float) -> Verdicts:
    """Judge readings by their truth.

    Parameters
    ----------
    columns : mapping of str to ndarray, each of shape (n,)
        ``thickness_mm``, ``expanded_on_block_mm`` and ``flags``, as readings have them; those of
        versions before 2.1 have ``expanded_mm`` alone.
    truth : Truth, n rows
    eighth : float
        An eighth of a wavelength, mm (`eighth_mm`).
    """
    flags = np.asarray(columns["flags"], np.uint32)
    older = "expanded_on_block_mm" not in columns
    half = columns["expanded_mm" if older else "expanded_on_block_mm"]
    expanded = np.asarray(half, np.float64)
    read = np.asarray(columns["thickness_mm"], np.float64)
    refused = is_fatal(flags) | ~np.isfinite(read)
    thickness = np.where(refused, np.nan, read)
    wrong = value_wrong(thickness, truth.claims, expanded, eighth)
    hidden = thinner_hidden(thickness, expanded, truth.least_mm)
    marked = is_marked(flags)
    outcome = np.select(
        [refused, wrong & marked, wrong, marked],
        [REFUSED, WRONG_MARKED, WRONG_UNMARKED, RIGHT_MARKED],
        RIGHT_UNMARKED,
    )
    told = flags & ~np.uint32(NOTES)
    one = (told & (told - np.uint32(1))) == 0
    alone = np.where((outcome == RIGHT_MARKED) & one, told, np.uint32(0)).astype(np.uint32)
    return Verdicts(outcome, marked, hidden, alone)
