"""A picture of named points: the least reading of each, what it was before, and the minimum."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from ascan.kernels.arrays import AnyArray
from ascan.report.picture import shown_unit, tidy
from ascan.report.waveform import INK

# More points than these make a picture nobody can read: the thinnest are drawn.
MOST_POINTS = 60
ROW_HIGH, WIDE = 0.28, 10.0
DPI = 130
EARLIER_INK = "#8d5a3b"


def points_figure(
    table: Mapping[str, AnyArray], *, title: str, minimum_mm: float | None = None
) -> Any:
    """Return points as a matplotlib figure, one on each line.

    Parameters
    ----------
    table : mapping of str to ndarray, shape (points,)
        ``point``, ``least_mm``, ``u_mm``, ``least_flags``; with an earlier survey ``earlier_mm``.
        A point without a reading has NaN.
    title : str
    minimum_mm : float, optional
        Drawn as a line.
    """
    from matplotlib.figure import Figure

    unit, size = shown_unit()
    chosen = _chosen(table["least_mm"])
    names = [str(table["point"][k]) for k in chosen]
    least, reach = table["least_mm"][chosen] / size, 2.0 * table["u_mm"][chosen] / size
    earlier = table.get("earlier_mm", np.full(len(table["point"]), np.nan))[chosen] / size
    careful = np.array([bool(table["least_flags"][k]) for k in chosen])
    figure = Figure(figsize=(WIDE, 1.6 + ROW_HIGH * len(chosen)), layout="constrained")
    axes = figure.subplots()
    at = np.arange(len(chosen))
    for row in at[np.isfinite(earlier) & np.isfinite(least)]:
        axes.plot([earlier[row], least[row]], [row, row], color=EARLIER_INK, linewidth=1.0)
    if np.isfinite(earlier).any():
        axes.plot(earlier, at, "|", color=EARLIER_INK, ms=11, mew=1.6, label="before")
    read = np.isfinite(least)
    axes.errorbar(
        least[read], at[read], xerr=reach[read], fmt="none", ecolor=INK, elinewidth=1.0, capsize=2.5
    )
    for care, face, told in ((False, INK, "now, ± 2 u"), (True, "white", "now, with care")):
        rows = read & (careful == care)
        if rows.any():
            axes.plot(least[rows], at[rows], "o", mfc=face, mec=INK, ms=5.5, label=told)
    if minimum_mm is not None:
        limit = minimum_mm / size
        axes.axvline(limit, color=INK, linewidth=1.1, linestyle=(0, (4, 2)))
        axes.annotate(
            f" minimum {limit:g} {unit}", (limit, 1.0), xycoords=("data", "axes fraction"),
            fontsize=8, va="bottom",
        )  # fmt: skip
    axes.set_yticks(at, [f"{name}  NOT READ" if not there else name
                         for name, there in zip(names, read, strict=True)])  # fmt: skip
    axes.set_ylim(len(chosen) - 0.4, -0.6)
    axes.set_xlabel(f"least reading of a point, {unit}", fontsize=8)
    left_out = len(table["point"]) - len(chosen)
    more = f" (the {left_out} thickest are left out)" if left_out else ""
    axes.set_title(f"{title}{more}".replace("$", r"\$"), loc="left", fontsize=10, pad=16)
    tidy(axes)
    figure.legend(loc="outside lower center", ncols=3, frameon=False, fontsize=8)
    return figure


def _chosen(least_mm: AnyArray) -> AnyArray:
    """Return which points are drawn, in their order: those not read, and the thinnest."""
    order = np.argsort(np.where(np.isnan(least_mm), -np.inf, least_mm), kind="stable")
    return np.sort(order[:MOST_POINTS])
