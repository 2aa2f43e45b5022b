"""Thickness over several surveys: the rate of loss at each place and of the whole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ascan.base.errors import fault
from ascan.kernels.arrays import BoolArray, FloatArray
from ascan.survey.change import CERTAIN, Change, change_between, least_life
from ascan.survey.told import Told, covariance_mm2

# A survey that did not read a place weighs nothing there.
UNREAD_MM = 1e6
LEAST_SURVEYS = 3


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Line:
    """Thickness as a polynomial of time, for n places, at the last survey.

    Attributes
    ----------
    now_mm : ndarray, shape (n,)
    rate_mm_per_year : ndarray, shape (n,)
        Loss, positive where the wall grows thinner; NaN where a place was read once or never.
    bend_mm_per_year2 : ndarray, shape (n,)
        By how much the rate grows a year; 0 where it is held constant.
    covariance : ndarray, shape (n, 3, 3)
        Of the three.
    """

    now_mm: FloatArray
    rate_mm_per_year: FloatArray
    bend_mm_per_year2: FloatArray
    covariance: FloatArray

    @property
    def u_rate_mm_per_year(self) -> FloatArray:
        """Standard uncertainty of the rate, shape (n,)."""
        return np.asarray(np.sqrt(self.covariance[:, 1, 1]))

    @property
    def u_bend_mm_per_year2(self) -> FloatArray:
        """Standard uncertainty of the change of rate, shape (n,)."""
        return np.asarray(np.sqrt(self.covariance[:, 2, 2]))

    def at(self, years: float) -> tuple[FloatArray, FloatArray]:
        """Return the thickness so many years after the last survey, and its u, shape (n,)."""
        follows = np.array([1.0, -years, -0.5 * years * years])
        value = np.stack([self.now_mm, self.rate_mm_per_year, self.bend_mm_per_year2], axis=1)
        u = np.sqrt(np.einsum("i,nij,j->n", follows, self.covariance, follows))
        return value @ follows, u


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Trend:
    """Several surveys of n places.

    Attributes
    ----------
    years : ndarray, shape (surveys,)
        Since the first.
    surveys : tuple of Told
    line, bent : Line
        Of a constant rate, and of one that changes evenly, at each place.
    whole, whole_bent : Line
        The same of the mean over all places that every survey read, n = 1.
    last, first : Change
        From the last survey but one to the last, and from the first to the last.
    """

    years: FloatArray
    surveys: tuple[Told, ...]
    line: Line
    bent: Line
    whole: Line
    whole_bent: Line
    last: Change
    first: Change

    @property
    def thinner(self) -> BoolArray:
        """Whether a constant rate is more than uncertainty explains, shape (n,)."""
        return self.line.rate_mm_per_year > CERTAIN * self.line.u_rate_mm_per_year

    @property
    def rate_changes(self) -> bool:
        """Whether the mean's rate changes by more than uncertainty explains."""
        bent = self.whole_bent
        return bool(np.abs(bent.bend_mm_per_year2) > CERTAIN * bent.u_bend_mm_per_year2)

    @property
    def governing_mm_per_year(self) -> FloatArray:
        """The greater of the short-term and the long-term rate of each place, shape (n,).

        Inspection codes let the greater one govern (API 510 and API 570, clause 7, from memory).
        """
        return np.fmax(self.last.rate_mm_per_year, self.first.rate_mm_per_year)

    def least_years(self, minimum_mm: float) -> FloatArray:
        """Return the years each place has left at least, at 95 %, if its constant rate goes on."""
        line = self.line
        return least_life(
            np.stack([line.now_mm - minimum_mm, line.rate_mm_per_year]),
            line.covariance[:, 0, 0], line.covariance[:, 1, 1], line.covariance[:, 0, 1],
        )  # fmt: skip


def trend_of(surveys: Sequence[Told], years: Sequence[float]) -> Trend:
    """Return how thickness goes with time over three surveys and more.

    Parameters
    ----------
    surveys : sequence of Told
        Of the same places, in the order of time. What they share an error of correlates them: a
        calibration that served twice does not count twice.
    years : sequence of float
        When each was taken, in years from any moment.

    Raises
    ------
    AscanError
        Fewer than three, times that do not grow, or no place that two of them read.
    """
    at = np.asarray(years, np.float64)
    if len(surveys) < LEAST_SURVEYS or at.size != len(surveys):
        raise fault(
            "trend",
            f"has {len(surveys)} surveys and {at.size} times",
            allowed="three surveys or more, a time for each",
            remedy="of two surveys: ascan change",
        )
    if not (np.diff(at) > 0.0).all():
        raise fault(
            "years",
            f"are {', '.join(f'{value:g}' for value in at)}",
            allowed="growing from one survey to the next",
            remedy="name the surveys in the order in which they were taken",
        )
    at = at - at[0]
    read = np.stack([one.thickness_mm for one in surveys])
    if (np.isfinite(read).sum(axis=0) < 2).all():
        raise fault("trend", "finds no place that two surveys read", remedy="do the axes agree?")
    mean = _mean(surveys)
    return Trend(
        years=at,
        surveys=tuple(surveys),
        line=line_through(surveys, at, bent=False),
        bent=line_through(surveys, at, bent=True),
        whole=line_through(mean, at, bent=False),
        whole_bent=line_through(mean, at, bent=True),
        last=change_between(surveys[-2], surveys[-1], float(at[-1] - at[-2])),
        first=change_between(surveys[0], surveys[-1], float(at[-1])),
    )


def line_through(surveys: Sequence[Told], years: FloatArray, *, bent: bool) -> Line:
    """Fit thickness over time by generalised least squares.

    References
    ----------
    Generalised least squares with the full covariance of all surveys (common practice): JCGM
    100:2008, 5.2, for what they share.
    """
    read = np.stack([one.thickness_mm for one in surveys], axis=1)
    known = np.isfinite(read)
    count = read.shape[1]
    covariance = np.empty((len(read), count, count))
    for j, first in enumerate(surveys):
        for k, second in enumerate(surveys):
            covariance[:, j, k] = covariance_mm2(first, second)
        # A survey's own sources, too: `covariance_mm2` counts what two of them share.
        covariance[:, j, j] = first.u_mm**2
    both = known[:, :, None] & known[:, None, :]
    covariance = np.where(both, covariance, 0.0)
    places = np.arange(count)
    covariance[:, places, places] += np.where(known, 1e-12, UNREAD_MM**2)
    before = years - years[-1]
    columns = [np.ones(count), -before] + ([-0.5 * before**2] if bent else [])
    design = np.stack(columns, axis=1)
    weighted = np.linalg.solve(covariance, np.broadcast_to(design, (len(read), *design.shape)))
    normal = np.einsum("ji,njk->nik", design, weighted)
    enough = known.sum(axis=1) >= design.shape[1]
    normal[~enough] = np.eye(design.shape[1])
    inverse = np.linalg.inv(normal)
    right = np.einsum("njk,nj->nk", weighted, np.where(known, read, 0.0))
    found = np.where(enough[:, None], np.einsum("nij,nj->ni", inverse, right), np.nan)
    inverse[~enough] = np.nan
    whole = np.zeros((len(read), 3, 3))
    whole[:, : design.shape[1], : design.shape[1]] = inverse
    bend = found[:, 2] if bent else np.zeros(len(read))
    return Line(
        now_mm=found[:, 0],
        rate_mm_per_year=found[:, 1],
        bend_mm_per_year2=bend,
        covariance=whole,
    )


def _mean(surveys: Sequence[Told]) -> list[Told]:
    """Return the mean of each survey over the places that every one of them read."""
    all_read = np.isfinite(np.stack([one.thickness_mm for one in surveys])).all(axis=0)
    if not all_read.any():
        nothing = np.full(1, np.nan)
        return [Told(thickness_mm=nothing, u_random_mm=nothing, shared={}) for _ in surveys]
    return [
        Told(
            thickness_mm=np.array([one.thickness_mm[all_read].mean()]),
            u_random_mm=np.array([np.linalg.norm(one.u_random_mm[all_read]) / all_read.sum()]),
            shared={s: np.array([v[all_read].mean()]) for s, v in one.shared.items()},
        )
        for one in surveys
    ]
