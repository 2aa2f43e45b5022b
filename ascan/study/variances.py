"""Repeat studies: what repeating, operators and places add to the scatter of readings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.base.errors import fault
from ascan.kernels.arrays import AnyArray, FloatArray

COVERAGE = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class OneWay:
    """Analysis of variance by one grouping.

    Attributes
    ----------
    between_square, within_square : float
        Mean squares.
    between_freedom, within_freedom : int
    f_ratio : float
    within, between : float
        Standard deviations: of a repeated reading, and of the groups' true values (0 where the
        groups scatter no more than repeating explains).
    """

    between_square: float
    within_square: float
    between_freedom: int
    within_freedom: int
    f_ratio: float
    within: float
    between: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """Standard deviations of a study of points, operators and repeats, in mm.

    Attributes
    ----------
    repeatability_mm : float
        Of the same operator on the same point.
    operator_mm : float
        Of operators' means; in a nested study it holds the points of each operator, too.
    interaction_mm : float
        Of operator and point together (crossed studies; 0 in nested ones).
    points : int
    operators : int
    repeats : int
    design : str
        ``crossed``: every operator read every point; ``nested``: each read points of their own.
    """

    repeatability_mm: float
    operator_mm: float
    interaction_mm: float
    points: int
    operators: int
    repeats: int
    design: str

    @property
    def reproducibility_mm(self) -> float:
        """Operators and their interaction with the points, combined."""
        return float(np.hypot(self.operator_mm, self.interaction_mm))

    def lines(self) -> list[str]:
        """Return the study as text, and what it gives the procedure."""
        found = self.reproducibility_mm
        stated = f"for the procedure: [uncertainty] operator_mm = {found:.4f}"
        if found == 0.0:
            stated = (
                "operators are not told apart from the scatter of repeats: this states no "
                "operator_mm; what they add may be a good part of that scatter"
            )
        return [
            f"{self.design} study: {self.operators} operators, {self.points} points, "
            f"{self.repeats} repeats",
            f"repeatability    {self.repeatability_mm:.4f} mm",
            f"operators        {self.operator_mm:.4f} mm",
            f"operator × point {self.interaction_mm:.4f} mm",
            f"reproducibility  {self.reproducibility_mm:.4f} mm",
            stated,
        ]


def one_way(values: FloatArray, group: AnyArray) -> OneWay:
    """Return the analysis of variance of values by group.

    References
    ----------
    Any text on the analysis of variance (common practice); checked against the certified values of
    NIST's one-way sets. JCGM 100:2008 H.5 does the same for repeated observations by days.

    Raises
    ------
    AscanError
        Fewer than two groups, or no group with two values.
    """
    _, index, count = np.unique(group, return_inverse=True, return_counts=True)
    groups, total = count.size, values.size
    if groups < 2 or total <= groups:
        raise fault("study", f"has {groups} groups of {total} values", allowed="two of two or more")
    # About a value among them, so that no digits are lost where all are alike.
    off = values - values[0]
    means = np.bincount(index, off) / count
    between = float(count @ (means - off.mean()) ** 2) / (groups - 1)
    rest = off - means[index]
    # What rounding left of the sum of each group's residuals is taken off again.
    rest = rest - (np.bincount(index, rest) / count)[index]
    within = float(rest @ rest) / (total - groups)
    usual = (total - float(count @ count) / total) / (groups - 1)
    return OneWay(
        between_square=between,
        within_square=within,
        between_freedom=groups - 1,
        within_freedom=total - groups,
        f_ratio=between / within if within > 0.0 else np.inf,
        within=float(np.sqrt(within)),
        between=float(np.sqrt(max(between - within, 0.0) / usual)),
    )


def study_of(values_mm: FloatArray, point: AnyArray, operator: AnyArray) -> Study:
    """Return the variance components of readings by point and operator.

    Parameters
    ----------
    values_mm : ndarray, shape (n,)
    point, operator : ndarray, shape (n,)
        Every combination that is there must have the same number of readings, two at least.

    Raises
    ------
    AscanError
        Not balanced, or neither crossed nor nested.

    References
    ----------
    Mean squares of the two-way random model and of the nested one (common practice; ISO 5725-2 and
    -3 name the components so, from memory).
    """
    if not np.isfinite(values_mm).all():
        raise fault("study", "holds a reading without a thickness", remedy="read that one again")
    points, by_point = np.unique(point, return_inverse=True)
    operators, by_operator = np.unique(operator, return_inverse=True)
    cell = by_operator * points.size + by_point
    present, inverse, count = np.unique(cell, return_inverse=True, return_counts=True)
    repeats = int(count[0])
    if (count != repeats).any() or repeats < 2 or operators.size < 2:
        raise fault(
            "study",
            f"has {operators.size} operators and {count.min()} to {count.max()} readings of each "
            "on a point",
            allowed="two operators or more, and the same number of readings, two or more",
        )
    crossed = present.size == points.size * operators.size
    nested = present.size == points.size
    if not crossed and not nested:
        raise fault(
            "study",
            "is neither crossed nor nested",
            allowed="every operator on every point, or each on points of their own",
        )
    within = one_way(values_mm, inverse).within_square
    means = np.bincount(inverse, values_mm) / repeats
    who, where = present // points.size, present % points.size
    of_operator = np.bincount(who, means) / np.bincount(who)
    if nested:
        per = present.size / operators.size
        if (np.bincount(who) != per).any():
            raise fault("study", "gives operators different numbers of points")
        inside = float(np.sum((means - of_operator[who]) ** 2)) / (present.size - operators.size)
        among = per * float(np.var(of_operator, ddof=1))
        operator_variance, interaction = max(among - inside, 0.0) / per, 0.0
    else:
        of_point = np.bincount(where, means) / operators.size
        rest = means - of_operator[who] - of_point[where] + means.mean()
        freedom = (operators.size - 1) * max(points.size - 1, 1)
        mixed = repeats * float(rest @ rest) / freedom
        among = repeats * points.size * float(np.var(of_operator, ddof=1))
        if points.size == 1:
            mixed = within
        operator_variance = max(among - mixed, 0.0) / (repeats * points.size)
        interaction = max(mixed - within, 0.0) / repeats
    return Study(
        repeatability_mm=float(np.sqrt(within)),
        operator_mm=float(np.sqrt(operator_variance)),
        interaction_mm=float(np.sqrt(interaction)),
        points=points.size,
        operators=operators.size,
        repeats=repeats,
        design="crossed" if crossed else "nested",
    )


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class BlindTrial:
    """Blind readings beside true values, which are uncertain, too.

    Attributes
    ----------
    point : tuple of str
    known_mm, reading_mm, expanded_mm : ndarray, shape (n,)
        NaN where nothing was read.
    u_known_mm : float
        Standard uncertainty of the true values.

    References
    ----------
    E_n number: ISO/IEC 17043:2010, B.3.1.3 (from memory): the difference over the root sum of
    squares of both expanded uncertainties; at most 1 where both are as stated, in 95 %.
    """

    point: tuple[str, ...]
    known_mm: FloatArray
    reading_mm: FloatArray
    expanded_mm: FloatArray
    u_known_mm: float

    @property
    def off_mm(self) -> FloatArray:
        """Reading less true value, shape (n,)."""
        return self.reading_mm - self.known_mm

    @property
    def e_n(self) -> FloatArray:
        """Difference over both expanded uncertainties, shape (n,)."""
        return np.asarray(self.off_mm / np.hypot(self.expanded_mm, COVERAGE * self.u_known_mm))

    def lines(self) -> list[str]:
        """Return a table of the readings, and what they add up to."""
        out = ["point        true mm   reading mm   off mm    U mm     E_n     |E_n| ≤ 1"]
        for name, true, value, miss, wide, over in zip(
            self.point, self.known_mm, self.reading_mm, self.off_mm, self.expanded_mm, self.e_n,
            strict=True,
        ):  # fmt: skip
            told = "not read" if np.isnan(value) else ("yes" if abs(over) <= 1.0 else "NO")
            out.append(
                f"{name!s:<12} {true:<9.3f} {value:<12.3f} {miss:<+9.3f} {wide:<8.3f} "
                f"{over:<+7.2f} {told}"
            )
        off = self.off_mm
        read = np.isfinite(off)
        if read.any():
            out.append(
                f"{int(read.sum())} of {off.size} read; bias {off[read].mean():+.4f} mm, spread "
                f"{off[read].std(ddof=1) if read.sum() > 1 else 0.0:.4f} mm, worst "
                f"{off[read][np.argmax(np.abs(off[read]))]:+.4f} mm, |E_n| at most 1 in "
                f"{100.0 * np.mean(np.abs(self.e_n[read]) <= 1.0):.0f} %"
            )
        out.append(
            f"true values: u {self.u_known_mm:g} mm"
            if self.u_known_mm
            else "true values are taken as exact: state their u (--known-u-mm)"
        )
        return out
