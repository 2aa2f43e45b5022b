"""A picture of a surface: its cells, and under them how much ground has which thickness.

The shares of ground stand in the colours of the cells and are the scale at the same time; limits
are lines in it, and outlines on the map.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from ascan.report.scale import colour_map
from ascan.report.waveform import INK
from ascan.store.replacing import whole_file
from ascan.survey.cells import Cells
from ascan.survey.figures import Figures
from ascan.units import MM_PER_INCH, SHOWN_IN

BARS, MOST_HIGH, WIDE = 48, 9.0, 10.0
# Cells without a reading: refused ones are crossed, ground without a position is ruled.
REFUSED, EMPTY = "xxxx", "////"
HATCH_INK = "#6d737c"


def draw_surface(
    cells: Cells,
    figures: Figures,
    path: str | Path,
    *,
    title: str,
    marks: tuple[tuple[float, float, str], ...] = (),
    replace: bool = False,
) -> None:
    """Draw a surface to a PNG file.

    Parameters
    ----------
    cells : Cells
    figures : Figures
        Of these cells; their limits are drawn.
    path : str or Path
    title : str
    marks : tuple of (x_mm, y_mm, text)
        Places to be pointed at, such as indications.
    """
    with whole_file(path, replace=replace) as part:
        surface_figure(cells, figures, title=title, marks=marks).savefig(
            part, format="png", dpi=130
        )


def surface_figure(
    cells: Cells, figures: Figures, *, title: str, marks: tuple[tuple[float, float, str], ...] = ()
) -> Any:
    """Return the same as a matplotlib figure."""
    from matplotlib.figure import Figure

    inch = SHOWN_IN.get() == "in"
    unit, size = ("in", MM_PER_INCH) if inch else ("mm", 1.0)
    x, y = (edges / size for edges in cells.edges_mm)
    wide, high = x[-1] - x[0], y[-1] - y[0]
    map_high = float(np.clip(WIDE * high / wide, 1.2, MOST_HIGH))
    figure = Figure(figsize=(WIDE, map_high + 2.9), layout="constrained")
    ground, shares = figure.subplots(2, 1, height_ratios=[map_high, 1.5])
    values = cells.thickness_mm / size
    _draw_ground(ground, cells, (x, y), values)
    for below, dash in zip(figures.below, ((0, ()), (0, (4, 2))), strict=False):
        _outline(ground, (x, y), values < below.limit_mm / size, dash)
    for x_mm, y_mm, text in marks:
        ground.plot(x_mm / size, y_mm / size, "o", mfc="none", mec=INK, markersize=9)
        ground.annotate(
            text, (x_mm / size, y_mm / size), (7, 5), textcoords="offset points", fontsize=8,
            bbox={"boxstyle": "round,pad=0.15", "fc": "white", "ec": "none", "alpha": 0.8},
        )  # fmt: skip
    around = "round the pipe" if cells.places.round_mm else "across"
    ground.set(xlabel=f"along, {unit}", ylabel=f"{around}, {unit}", aspect="equal")
    ground.set_title(title.replace("$", r"\$"), loc="left", fontsize=10)
    _draw_shares(shares, cells, figures, values, (unit, size))
    for axes in (ground, shares):
        axes.tick_params(labelsize=8)
        axes.spines[["top", "right"]].set_visible(False)
    return figure


def _span(values: Any) -> tuple[float, float]:
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    return (low, high) if high > low else (low - 0.5, high + 0.5)


def _draw_ground(axes: Any, cells: Cells, edges: Any, values: Any) -> None:
    """Draw the cells; what has no reading is hatched, never coloured."""
    from matplotlib.colors import ListedColormap

    x, y = edges
    if np.isfinite(values).any():
        low, high = _span(values)
        axes.pcolormesh(
            x, y, np.ma.masked_invalid(values), cmap=colour_map(), vmin=low, vmax=high,
            rasterized=True,
        )  # fmt: skip
    for chosen, hatch in ((cells.only_refused, REFUSED), (cells.empty, EMPTY)):
        if chosen.any():
            axes.pcolor(
                x, y, np.ma.masked_where(~chosen, chosen.astype(float)),
                cmap=ListedColormap(["white"]), hatch=hatch, edgecolor=HATCH_INK, linewidth=0.0,
            )  # fmt: skip


def _outline(axes: Any, edges: Any, chosen: Any, dash: Any) -> None:
    """Draw a line between cells that are chosen and cells that are not."""
    x, y = edges
    inside = np.pad(chosen, 1)
    lines = []
    for j, i in zip(*np.nonzero(inside[1:, 1:-1] != inside[:-1, 1:-1]), strict=True):
        lines.append(((x[i], y[j]), (x[i + 1], y[j])))
    for j, i in zip(*np.nonzero(inside[1:-1, 1:] != inside[1:-1, :-1]), strict=True):
        lines.append(((x[i], y[j]), (x[i], y[j + 1])))
    from matplotlib.collections import LineCollection

    axes.add_collection(LineCollection(lines, colors=INK, linewidths=1.1, linestyles=[dash]))


def _draw_shares(axes: Any, cells: Cells, figures: Figures, values: Any, unit: Any) -> None:
    """Draw how many percent of the cells have which thickness, coloured as on the map."""
    sign, size = unit
    known = values[np.isfinite(values)]
    total = max(cells.least.size, 1)
    if known.size:
        low, high = _span(values)
        counts, edges = np.histogram(known, BARS, (low, high))
        middle = 0.5 * (edges[1:] + edges[:-1])
        colours = colour_map()((middle - low) / (high - low))
        axes.bar(
            middle, 100.0 * counts / total, width=np.diff(edges), color=colours,
            edgecolor=INK, linewidth=0.4,
        )  # fmt: skip
        axes.set_xlim(min(low, *(b.limit_mm / size for b in figures.below), low), high)
    for below, dash in zip(figures.below, ((0, ()), (0, (4, 2))), strict=False):
        limit = below.limit_mm / size
        axes.axvline(limit, color=INK, linewidth=1.1, linestyle=dash)
        axes.annotate(
            f" {limit:g} {sign}", (limit, 1.0), xycoords=("data", "axes fraction"), fontsize=8,
            va="top",
        )  # fmt: skip
    gaps = (
        f"crossed: every position refused, {100.0 * figures.refused / total:.1f} %;  "
        f"ruled: no position, {100.0 * figures.empty / total:.1f} %"
    )
    axes.set_xlabel(f"least thickness in a cell, {sign}        {gaps}", fontsize=8)
    axes.set_ylabel("% of ground", fontsize=8)
