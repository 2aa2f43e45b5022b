"""What has changed since an earlier survey: loss, rate and remaining life, with uncertainties."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from ascan.base.errors import fault
from ascan.kernels.arrays import AnyArray, BoolArray, FloatArray
from ascan.survey.told import Told, covariance_mm2, difference_inverse_freedom
from ascan.uncertainty.coverage import coverage_factor, one_sided_factor

# A change is one beyond its 95 % interval: of a wall that did not change, noise takes this share
# beyond it either way. Pictures and trends take so many standard uncertainties for it.
LEVEL, BY_CHANCE, CERTAIN = 0.95, 0.025, 2.0


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Change:
    """Losses of n places (cells or points), in the order they were given.

    Attributes
    ----------
    loss_mm, u_loss_mm : ndarray
        Earlier less later; NaN where either has no thickness.
    rate_mm_per_year, u_rate_mm_per_year : ndarray
    years : float
    later : Told
        Thicknesses now.
    with_later_mm2 : ndarray
        Covariance of a loss with the thickness now.
    inverse_freedom : ndarray
        1 / ν of each loss: 0 where its u counts as exactly known.
    """

    loss_mm: FloatArray
    u_loss_mm: FloatArray
    rate_mm_per_year: FloatArray
    u_rate_mm_per_year: FloatArray
    years: float
    later: Told
    with_later_mm2: FloatArray
    inverse_freedom: FloatArray

    def columns(self) -> dict[str, AnyArray]:
        """Return losses and rates as columns, and which are more than uncertainty explains."""
        return {
            "loss_mm": self.loss_mm,
            "u_loss_mm": self.u_loss_mm,
            "expanded_loss_mm": self.expanded_loss_mm,
            "rate_mm_per_year": self.rate_mm_per_year,
            "u_rate_mm_per_year": self.u_rate_mm_per_year,
            "thinner": self.thinner,
            "thicker": self.thicker,
        }

    @property
    def thinner(self) -> BoolArray:
        """Whether a loss is more than uncertainty explains."""
        return self.loss_mm > self.expanded_loss_mm

    @property
    def expanded_loss_mm(self) -> FloatArray:
        """Half the 95 % interval of each loss, by Student's t."""
        return np.asarray(self.u_loss_mm * coverage_factor(self.inverse_freedom))

    @property
    def together(self) -> FloatArray:
        """Half-widths, in standard uncertainties, that hold all losses at once at 95 %.

        The most of many losses is picked for its noise, too: its own interval is too narrow
        (independent normal errors; Šidák's inequality for common ones, from memory).
        """
        count = max(int(np.isfinite(self.loss_mm).sum()), 1)
        freedom = 1.0 / np.maximum(self.inverse_freedom, 1e-9)
        return np.asarray(stdtrit(freedom, 0.5 + 0.5 * LEVEL ** (1.0 / count)))

    @property
    def by_chance(self) -> float:
        """How many places noise alone makes thinner so, and as many thicker."""
        return BY_CHANCE * int(np.isfinite(self.loss_mm).sum())

    @property
    def grown(self) -> bool:
        """Whether more places read thicker than noise explains: one of the surveys is in doubt."""
        most = self.by_chance + 3.0 * np.sqrt(self.by_chance) + 1.0
        return bool(self.thicker.sum() > most)

    @property
    def thicker(self) -> BoolArray:
        """Whether a wall reads thicker than uncertainty explains: walls do not grow."""
        return self.loss_mm < -self.expanded_loss_mm


def change_between(earlier: Told, later: Told, years: float) -> Change:
    """Return what was lost between two surveys.

    Parameters
    ----------
    earlier, later : Told
        Thicknesses of the same places. What both share an error of cancels as far as both follow
        it; what one of them has alone adds.
    years : float
        Between the two.

    Raises
    ------
    AscanError
        Years that are not above 0.
    """
    if not years > 0.0:
        raise fault("years", f"is {years:g}", allowed="above 0", remedy="say when each was read")
    loss = earlier.thickness_mm - later.thickness_mm
    alike = covariance_mm2(earlier, later)
    u = np.sqrt(np.maximum(earlier.u_mm**2 + later.u_mm**2 - 2.0 * alike, 0.0))
    return Change(
        loss_mm=loss,
        u_loss_mm=u,
        rate_mm_per_year=loss / years,
        u_rate_mm_per_year=u / years,
        years=years,
        later=later,
        with_later_mm2=alike - later.u_mm**2,
        inverse_freedom=difference_inverse_freedom(earlier, later, u),
    )


def remaining_years(minimum_mm: float, change: Change) -> tuple[FloatArray, FloatArray]:
    """Return the remaining life of each place and its standard uncertainty, in years.

    0 where the wall is at the minimum or below it, whatever was lost; infinite where nothing was
    lost, NaN where it is not known. It says how long a rate would take that went on as it was
    between two surveys; it foresees nothing. The governing code and the engineer decide on rate,
    minimum and interval.

    References
    ----------
    (t_actual - t_required) / corrosion rate, as in API 510 and API 570, clause 7.2 (from memory);
    uncertainty by JCGM 100:2008, 5.2.2: life = years × left / loss, whose two errors are
    correlated.
    """
    left = change.later.thickness_mm - minimum_mm
    with np.errstate(divide="ignore", invalid="ignore"):
        life = np.where(change.loss_mm > 0.0, change.years * left / change.loss_mm, np.inf)
        by_left, by_loss = change.years / change.loss_mm, -life / change.loss_mm
        square = (by_left * change.later.u_mm) ** 2 + (by_loss * change.u_loss_mm) ** 2
        square += 2.0 * by_left * by_loss * change.with_later_mm2
        u = np.sqrt(np.maximum(square, 0.0))
    known = (change.loss_mm > 0.0) & (left > 0.0)
    life = np.where(np.isnan(change.loss_mm), np.nan, life)
    return np.where(left <= 0.0, 0.0, life), np.where(known, u, np.nan)


def least_years(minimum_mm: float, change: Change) -> FloatArray:
    """Return the years that each place has left at least, at 95 %, if its rate goes on.

    0 where the wall may be at the minimum already, infinite where it grew for certain (doubt one of
    the two surveys), NaN where it is not known. Where no loss is proven it is all that can be said.

    Parameters
    ----------
    minimum_mm : float
    change : Change

    References
    ----------
    The life is a ratio of two quantities with errors, wall left over rate: Fieller's limits (E. C.
    Fieller, J. R. Stat. Soc. B 16, 175, 1954, from memory) are exact for normal errors, whether or
    not the rate differs from 0. Years T belong to the interval where wall left less T times the
    rate differs from 0 by no more than 1.645 of its standard uncertainties (one-sided).
    """
    return least_life(
        np.stack([change.later.thickness_mm - minimum_mm, change.rate_mm_per_year]),
        change.later.u_mm**2,
        change.u_rate_mm_per_year**2,
        # A wall that reads thick makes the wall left larger and the loss smaller.
        change.with_later_mm2 / change.years,
        change.inverse_freedom,
    )


def least_life(
    left_and_rate: FloatArray,
    left_mm2: FloatArray,
    rate_mm2_per_year2: FloatArray,
    alike_mm2_per_year: FloatArray,
    inverse_freedom: FloatArray | None = None,
) -> FloatArray:
    """Return the least of wall left over rate, in years, that holds at 95 %, shape (n,).

    Parameters
    ----------
    left_and_rate : ndarray, shape (2, n)
        Wall left (mm) and rate (mm a year).
    left_mm2, rate_mm2_per_year2, alike_mm2_per_year : ndarray, shape (n,)
        Their variances and covariance.
    inverse_freedom : ndarray, shape (n,), optional
        1 / ν of these; without it they count as exactly known.

    References
    ----------
    Fieller's limits (`least_years`).
    """
    left, rate = left_and_rate
    known = np.zeros(1) if inverse_freedom is None else inverse_freedom
    k2 = one_sided_factor(known) ** 2
    a = rate**2 - k2 * rate_mm2_per_year2
    b = -2.0 * (left * rate - k2 * alike_mm2_per_year)
    c = left**2 - k2 * left_mm2
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(np.maximum(b * b - 4.0 * a * c, 0.0))
        # Both roots without a difference of nearly equal numbers.
        q = -0.5 * (b + np.copysign(root, b))
        roots = np.stack([q / a, c / q])
        first = np.where(roots > 0.0, roots, np.inf).min(axis=0)
    out = np.where(b * b - 4.0 * a * c < 0.0, np.inf, first)
    out = np.where((left <= 0.0) | (c <= 0.0), 0.0, out)
    return np.where(np.isnan(left + rate), np.nan, out)


def told_years(years: float, at_least: float, lost: bool) -> str:
    """Return a remaining life in words: a figure where a loss is shown, and what holds at 95 %.

    Examples
    --------
    >>> told_years(12.0, 8.4, True)
    '12.0 years at that rate, at 95 % not less than 8.4'
    >>> told_years(np.inf, 14.2, False)
    'no loss shown; at 95 % not less than 14.2 years'
    """
    if np.isnan(at_least):
        return "how long it lasts is not known"
    if at_least == 0.0:
        return "may be at the minimum now"
    if np.isinf(at_least):
        return "read thicker than before: no rate, doubt one of the two"
    if lost and np.isfinite(years):
        return f"{years:.1f} years at that rate, at 95 % not less than {at_least:.1f}"
    return f"no loss shown; at 95 % not less than {at_least:.1f} years"
