"""What marks say of values: predicted against observed `p_wrong`, and what each mark brings alone.

Used by `verdict.py`, which judges the readings.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from scipy.optimize import minimize

from ascan.base.flags import FATAL, NOTES, Flag
from ascan.checks.likely_wrong import OTHER_SHARE, p_wrong
from ascan.kernels.arrays import AnyArray, BoolArray, FlagArray, FloatArray
from ascan.survey.wrong import RIGHT_MARKED, WRONG_MARKED, WRONG_UNMARKED, Verdicts

DECADES = (0.0, 1e-3, 1e-2, 1e-1, 1.0)
# A decade or a mark that fewer readings speak of says nothing.
FEWEST = 10
# What the shares are fitted to; the other groups judge them.
FITTED = ("ordinary", "misleading")
MARKS = tuple(flag for flag in Flag if not int(flag) & (FATAL | NOTES))


@dataclass(slots=True)
class Told:
    """Flags, odds and truth of readings that have a number; adds up."""

    flags: list[FlagArray] = field(default_factory=list)
    odds: list[FloatArray] = field(default_factory=list)
    wrong: list[BoolArray] = field(default_factory=list)
    hidden: list[BoolArray] = field(default_factory=list)

    def add(self, columns: dict[str, AnyArray], got: Verdicts) -> None:
        """Add a trial's readings."""
        if "alternative_odds" not in columns:
            return
        named = (RIGHT_MARKED, WRONG_MARKED, WRONG_UNMARKED)
        wrong = np.isin(got.outcome, named[1:])
        read = np.isfinite(columns["thickness_mm"])
        self.flags.append(np.asarray(columns["flags"], np.uint32)[read])
        self.odds.append(np.asarray(columns["alternative_odds"], np.float64)[read])
        self.wrong.append(wrong[read])
        self.hidden.append(got.hidden[read])

    def merge(self, other: Told) -> None:
        """Add the readings of another."""
        self.flags += other.flags
        self.odds += other.odds
        self.wrong += other.wrong
        self.hidden += other.hidden

    def together(self) -> tuple[FlagArray, FloatArray, BoolArray, BoolArray]:
        """Return flags, odds, whether the value is wrong, whether a thinner wall is hidden."""
        if not self.flags:
            none = np.zeros(0, np.bool_)
            return np.zeros(0, np.uint32), np.zeros(0), none, none
        return (
            np.concatenate(self.flags),
            np.concatenate(self.odds),
            np.concatenate(self.wrong),
            np.concatenate(self.hidden),
        )


def reliability_table(groups: dict[str, Told]) -> str:
    """Return predicted against observed share of wrong values, by decade of `p_wrong`."""
    lines = ["| readings | p_wrong | readings | predicted | wrong | observed over predicted |"]
    lines.append("|---" * 6 + "|")
    for group, told in groups.items():
        flags, odds, wrong, _ = told.together()
        likely = p_wrong(flags, odds)
        for low, high in pairwise(DECADES):
            here = (likely > low) & (likely <= high)
            if here.any():
                predicted, found = likely[here].mean(), int(wrong[here].sum())
                ratio = f"{found / here.sum() / predicted:.2f}" if found >= FEWEST else "–"
                span = f"{low:g} to {high:g}"
                lines.append(
                    f"| {group} | {span} | {here.sum()} | {predicted:.4f} | {found} | {ratio} |"
                )
    return "\n".join(lines)


def marks_table(groups: dict[str, Told]) -> str:
    """Return what each mark stands on, and what it marks alone, all groups together."""
    all_told = Told()
    for told in groups.values():
        all_told.merge(told)
    flags, _, wrong, hidden = all_told.together()
    care = flags & ~np.uint32(NOTES)
    lines = [
        "| mark | on right values | on wrong values | alone: wrong | alone: right, a thinner wall "
        "hidden | alone: right |",
        "|---" * 6 + "|",
    ]
    for mark in MARKS:
        stands, alone = care & np.uint32(mark) != 0, care == np.uint32(mark)
        counts = (
            stands & ~wrong, stands & wrong, alone & wrong, alone & ~wrong & hidden,
            alone & ~wrong & ~hidden,
        )  # fmt: skip
        shown = " | ".join(str(int(each.sum())) for each in counts)
        lines.append(f"| `{str(mark.name).lower()}` | {shown} |")
    return "\n".join(lines)


def fitted_shares(groups: dict[str, Told]) -> dict[str, float]:
    """Return the likeliest shares of `ascan.checks.likely_wrong`, both groups of equal weight.

    Shares of marks that few readings have are drawn to the middle of the others.
    """
    parts = [groups[name].together() for name in FITTED if name in groups]
    flags, odds, wrong = (np.concatenate([part[k] for part in parts]) for k in range(3))
    weight = np.concatenate([np.full(part[0].size, 1.0 / part[0].size) for part in parts])
    weight *= flags.size / weight.sum()
    stands = np.column_stack([flags & np.uint32(mark) != 0 for mark in MARKS]).astype(np.float64)
    start = -np.log(1.0 - p_wrong(np.zeros_like(flags), odds))
    middle = np.log(-np.log(1.0 - OTHER_SHARE))

    def cost(logs: FloatArray) -> tuple[float, FloatArray]:
        sizes = np.exp(logs)
        total = stands @ sizes + start
        likely = np.clip(-np.expm1(-total), 1e-12, 1.0)
        value = float((weight * np.where(wrong, -np.log(likely), total)).sum())
        each = weight * np.where(wrong, -np.exp(-total) / likely, 1.0)
        drawn = logs - middle
        return value + 0.5 * float(drawn @ drawn), stands.T @ each * sizes + drawn

    found = minimize(cost, np.full(len(MARKS), middle), jac=True, method="L-BFGS-B")
    shares = -np.expm1(-np.exp(found.x))
    return {
        str(mark.name): round(float(share), 3) for mark, share in zip(MARKS, shares, strict=True)
    }
