"""A picture of a surface: its cells, and under them how much ground has which thickness.

The shares of ground stand in the colours of the cells and are the scale at the same time; limits
are lines in it, and outlines on the map.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ascan.arrays import BoolArray, FloatArray
from ascan.report.png import save_png
from ascan.report.scale import colour_map
from ascan.report.waveform import INK
from ascan.survey.cells import Cells, along
from ascan.survey.change import Change
from ascan.survey.figures import Figures
from ascan.units import MM_PER_INCH, SHOWN_IN

BARS, MOST_HIGH, WIDE, DPI = 48, 9.0, 10.0, 130
# Cells without a reading: refused ones are crossed, ground without a position is ruled.
REFUSED, EMPTY = "xxxx", "////"
HATCH_INK = "#6d737c"
# Of the first outline or limit, and the second.
DASHES = ((0, ()), (0, (4, 2)))


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
    figure = surface_figure(cells, figures, title=title, marks=marks)
    save_png(figure, path, dpi=DPI, replace=replace)


def surface_figure(
    cells: Cells, figures: Figures, *, title: str, marks: tuple[tuple[float, float, str], ...] = ()
) -> Any:
    """Return the same as a matplotlib figure."""
    limits = tuple(below.limit_mm for below in figures.below)
    return _figure(
        cells,
        cells.thickness_mm,
        title=title,
        what="least thickness in a cell",
        outlines=[cells.thickness_mm < limit for limit in limits],
        limits_mm=limits,
        gaps=[
            (cells.only_refused, REFUSED, "crossed: every position refused"),
            (cells.empty, EMPTY, "ruled: no position"),
        ],
        marks=marks,
    )


def change_figure(cells: Cells, change: Change, *, title: str) -> Any:
    """Return what cells have lost as a matplotlib figure: darker is more, certain losses outlined.

    ``change`` holds a loss for each cell, line after line.
    """
    loss, certain = change.loss_mm.reshape(cells.least.shape), change.thinner
    return _figure(
        cells,
        loss,
        title=title,
        what="loss of a cell, outlined where it is more than twice its u",
        outlines=[certain.reshape(cells.least.shape)],
        limits_mm=(),
        gaps=[(np.isnan(loss), EMPTY, "ruled: not read in both")],
        marks=(),
        darker_is_more=True,
    )


def _figure(
    cells: Cells,
    values_mm: FloatArray,
    *,
    title: str,
    what: str,
    outlines: Sequence[BoolArray],
    limits_mm: tuple[float, ...],
    gaps: Sequence[tuple[BoolArray, str, str]],
    marks: tuple[tuple[float, float, str], ...],
    darker_is_more: bool = False,
) -> Any:
    """Draw values of cells over the shares of ground that have them.

    ``gaps`` are cells without a value: which, how they are hatched, and in words.
    """
    from matplotlib.figure import Figure

    inch = SHOWN_IN.get() == "in"
    unit, size = ("in", MM_PER_INCH) if inch else ("mm", 1.0)
    x, y = (edges / size for edges in cells.edges_mm)
    wide, high = x[-1] - x[0], y[-1] - y[0]
    map_high = float(np.clip(WIDE * high / wide, 1.2, MOST_HIGH))
    figure = Figure(figsize=(WIDE, map_high + 2.9), layout="constrained")
    ground, shares = figure.subplots(2, 1, height_ratios=[map_high, 1.5])
    values, colours = values_mm / size, colour_map()
    colours = colours.reversed() if darker_is_more else colours
    _draw_ground(ground, (x, y), values, colours, gaps)
    for chosen, dash in zip(outlines, DASHES, strict=False):
        _outline(ground, (x, y), chosen, dash)
    for x_mm, y_mm, text in marks:
        if cells.places.round_mm:
            y_mm = along(y_mm, cells.area.y_from_mm, cells.places.round_mm)
        ground.plot(x_mm / size, y_mm / size, "o", mfc="none", mec=INK, markersize=9)
        ground.annotate(
            text, (x_mm / size, y_mm / size), (7, 5), textcoords="offset points", fontsize=8,
            bbox={"boxstyle": "round,pad=0.15", "fc": "white", "ec": "none", "alpha": 0.8},
        )  # fmt: skip
    around = "round the pipe" if cells.places.round_mm else "across"
    ground.set(xlabel=f"along, {unit}", ylabel=f"{around}, {unit}", aspect="equal")
    ground.set_title(title.replace("$", r"\$"), loc="left", fontsize=10)
    limits = [limit / size for limit in limits_mm]
    _draw_shares(shares, values, colours, limits, unit)
    total = max(values.size, 1)
    left_out = ";  ".join(f"{told}, {100.0 * gap.sum() / total:.1f} %" for gap, _, told in gaps)
    shares.set_xlabel(f"{what}, {unit}        {left_out}", fontsize=8)
    for axes in (ground, shares):
        axes.tick_params(labelsize=8)
        axes.spines[["top", "right"]].set_visible(False)
    return figure


def _span(values: Any) -> tuple[float, float]:
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    return (low, high) if high > low else (low - 0.5, high + 0.5)


def _draw_ground(
    axes: Any, edges: Any, values: Any, colours: Any, gaps: Sequence[tuple[BoolArray, str, str]]
) -> None:
    """Draw the cells; what has no value is hatched, never coloured."""
    from matplotlib.colors import ListedColormap

    x, y = edges
    if np.isfinite(values).any():
        low, high = _span(values)
        axes.pcolormesh(
            x, y, np.ma.masked_invalid(values), cmap=colours, vmin=low, vmax=high, rasterized=True
        )
    for chosen, hatch, _ in gaps:
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


def _draw_shares(axes: Any, values: Any, colours: Any, limits: list[float], unit: str) -> None:
    """Draw how many percent of the cells have which value, coloured as on the map."""
    known = values[np.isfinite(values)]
    if known.size:
        low, high = _span(values)
        counts, edges = np.histogram(known, BARS, (low, high))
        middle = 0.5 * (edges[1:] + edges[:-1])
        axes.bar(
            middle, 100.0 * counts / values.size, width=np.diff(edges),
            color=colours((middle - low) / (high - low)), edgecolor=INK, linewidth=0.4,
        )  # fmt: skip
        axes.set_xlim(min(low, *limits, low), high)
    for limit, dash in zip(limits, DASHES, strict=False):
        axes.axvline(limit, color=INK, linewidth=1.1, linestyle=dash)
        axes.annotate(
            f" {limit:g} {unit}", (limit, 1.0), xycoords=("data", "axes fraction"), fontsize=8,
            va="top",
        )  # fmt: skip
    axes.set_ylabel("% of ground", fontsize=8)
