"""A picture of a surface: its cells, and under them how much ground has which thickness.

The shares of ground stand in the colours of the cells and are the scale at the same time; limits
are lines in it, and outlines on the map.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ascan.kernels.arrays import BoolArray, FloatArray
from ascan.report.picture import save_picture, shown_unit, tidy
from ascan.report.scale import colour_map
from ascan.report.waveform import INK
from ascan.survey.cells import Cells, along
from ascan.survey.change import CERTAIN, Change
from ascan.survey.figures import Figures

MOST_COLOURS, COVERAGE = 256, 2.0
BARS, MOST_HIGH, WIDE, DPI = 48, 9.0, 10.0, 130
# Cells whose reading bears a mark are dotted. Without a reading: refused ones are crossed, ground
# without a position is ruled.
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
    save_picture(figure, path, dpi=DPI, replace=replace)


def surface_figure(
    cells: Cells, figures: Figures, *, title: str, marks: tuple[tuple[float, float, str], ...] = ()
) -> Any:
    """Return the same as a matplotlib figure."""
    limits = tuple(below.limit_mm for below in figures.below)
    drawn = Map(
        cells=cells,
        values_mm=cells.thickness_mm,
        title=title,
        what="least thickness in a cell",
        outlines=[cells.thickness_mm < limit for limit in limits],
        limits_mm=limits,
        gaps=[
            (cells.only_refused, REFUSED, "crossed: every position refused"),
            (cells.empty, EMPTY, "ruled: no position"),
        ],
        dotted=(cells.with_care, "dotted: to be taken with care"),
        marks=marks,
        u_mm=_median(cells.of_least(cells.places.u_random_mm)),
    )
    return _figure(drawn)


def change_figure(cells: Cells, earlier: Cells, change: Change, *, title: str) -> Any:
    """Return what cells have lost as a matplotlib figure: darker is more, certain losses outlined.

    ``change`` holds a loss for each cell, line after line; ``cells`` are those read later. What was
    read before and is not now is outlined, too: it may have lost the most.
    """
    loss, certain = change.loss_mm.reshape(cells.least.shape), change.thinner
    refused = np.isnan(loss) & cells.only_refused
    drawn = Map(
        cells=cells,
        values_mm=loss,
        title=title,
        what="loss of a cell, outlined where more than twice its u; dashed: read before, not now",
        outlines=[
            certain.reshape(cells.least.shape),
            np.isfinite(earlier.thickness_mm) & ~np.isfinite(cells.thickness_mm),
        ],
        gaps=[
            (refused, REFUSED, "crossed: refused now"),
            (np.isnan(loss) & ~refused, EMPTY, "ruled: not read in both"),
        ],
        reverse=True,
        span_mm=_loss_span(change),
        u_mm=_median(change.u_loss_mm),
    )
    return _figure(drawn)


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Map:
    """What is drawn of cells.

    Attributes
    ----------
    cells : Cells
    values_mm : ndarray
        Of each cell.
    title, what : str
    outlines : list of ndarray of bool
        Cells that are outlined.
    gaps : list of (ndarray of bool, str, str)
        Cells without a value: which, how they are hatched, and in words.
    dotted : (ndarray of bool, str), optional
        Cells with a value that bear a dot, and in words.
    limits_mm : tuple of float
    marks : tuple of (x_mm, y_mm, text)
    reverse : bool
        Whether the darkest colour is that of the largest value.
    span_mm : tuple of float, optional
        What the colours run over; else over the values.
    u_mm : float
        By how much two cells of one wall differ: a colour is no finer than twice that.
    """

    cells: Cells
    values_mm: FloatArray
    title: str
    what: str
    outlines: Sequence[BoolArray]
    gaps: Sequence[tuple[BoolArray, str, str]]
    dotted: tuple[BoolArray, str] | None = None
    limits_mm: tuple[float, ...] = ()
    marks: tuple[tuple[float, float, str], ...] = ()
    reverse: bool = False
    span_mm: tuple[float, float] | None = None
    u_mm: float = 0.0


def _figure(drawn: Map) -> Any:
    """Draw values of cells over the shares of ground that have them."""
    from matplotlib.figure import Figure

    cells, gaps = drawn.cells, drawn.gaps
    unit, size = shown_unit()
    x, y = (edges / size for edges in cells.edges_mm)
    wide, high = x[-1] - x[0], y[-1] - y[0]
    map_high = float(np.clip(WIDE * high / wide, 1.2, MOST_HIGH))
    figure = Figure(figsize=(WIDE, map_high + 2.9), layout="constrained")
    ground, shares = figure.subplots(2, 1, height_ratios=[map_high, 1.5])
    low, high = drawn.span_mm or _span(drawn.values_mm)
    steps = steps_of(high - low, drawn.u_mm)
    values, colours = drawn.values_mm / size, colour_map(steps, reverse=drawn.reverse)
    span = (low / size, high / size)
    _draw_ground(ground, (x, y), values, (colours, span), gaps)
    for chosen, dash in zip(drawn.outlines, DASHES, strict=False):
        _outline(ground, (x, y), chosen, dash)
    for x_mm, y_mm, text in drawn.marks:
        if cells.places.round_mm:
            y_mm = along(y_mm, cells.area.y_from_mm, cells.places.round_mm)
        # A light ring under a dark one is seen on every colour.
        for ink, wide in (("white", 3.5), (INK, 1.2)):
            ground.plot(x_mm / size, y_mm / size, "o", mfc="none", mec=ink, mew=wide, ms=9)
        ground.annotate(
            text, (x_mm / size, y_mm / size), (7, 5), textcoords="offset points", fontsize=8,
            bbox={"boxstyle": "round,pad=0.15", "fc": "white", "ec": "none", "alpha": 0.8},
        )  # fmt: skip
    around, round_to = "across", cells.places.round_mm / size
    if round_to:
        around = "round the pipe from its top"
        _mark_round(ground.yaxis, (y[0], y[-1]), round_to)
    ground.set(xlabel=f"along, {unit}", ylabel=f"{around}, {unit}", aspect="equal")
    ground.set_title(drawn.title.replace("$", r"\$"), loc="left", fontsize=10)
    limits = [limit / size for limit in drawn.limits_mm]
    share = cells.area_mm2 / cells.area_mm2.sum()
    _draw_shares(shares, (values, share), (colours, span), limits, unit)
    shown = [(gap, told) for gap, _, told in gaps]
    if drawn.dotted is not None:
        _dot(ground, (x, y), drawn.dotted[0])
        shown.insert(0, drawn.dotted)
    left_out = ";  ".join(f"{told}, {100.0 * share[each].sum():.1f} %" for each, told in shown)
    step = f"u of a cell {drawn.u_mm / size:.2g} {unit}, a colour {(high - low) / steps / size:.2g}"
    shares.set_xlabel(f"{drawn.what}, {unit} ({step})\n{left_out}", fontsize=8)
    for axes in (ground, shares):
        tidy(axes)
    return figure


def _mark_round(axis: Any, ends: tuple[float, float], round_to: float) -> None:
    """Mark whole steps on an axis round a pipe; across the top they count on from 0 again."""
    from matplotlib.ticker import MaxNLocator

    step = float(np.diff(MaxNLocator(8).tick_values(*ends))[0])
    one_turn = step * np.arange(np.ceil(round_to / step - 0.5))
    turns = np.arange(np.floor(ends[0] / round_to), np.ceil(ends[1] / round_to))
    at = np.concatenate([one_turn + turn * round_to for turn in turns])
    at = at[(at >= ends[0]) & (at <= ends[1])]
    axis.set_ticks(at, [f"{place:g}" for place in np.round(at % round_to, 6)])


def _median(u_mm: FloatArray) -> float:
    known = u_mm[np.isfinite(u_mm)]
    return float(np.median(known)) if known.size else 0.0


def steps_of(span_mm: float, u_mm: float) -> int:
    """Return how many colours there are: none is finer than twice the u of what it shows.

    Examples
    --------
    >>> steps_of(1.0, 0.1), steps_of(1.0, 0.0), steps_of(0.1, 1.0)
    (5, 256, 1)
    """
    if u_mm <= 0.0:
        return MOST_COLOURS
    return int(np.clip(span_mm / (COVERAGE * u_mm), 1, MOST_COLOURS))


def _span(values_mm: FloatArray) -> tuple[float, float]:
    """Return from which value to which colours run."""
    known = values_mm[np.isfinite(values_mm)]
    if known.size == 0:
        return 0.0, 1.0
    low, high = float(known.min()), float(known.max())
    return (low, high) if high > low else (low - 0.5, high + 0.5)


def _loss_span(change: Change) -> tuple[float, float]:
    """Return from which loss to which colours run: noise alone must not reach the darkest one."""
    known = np.isfinite(change.loss_mm)
    # A change has one cell at least that was read in both.
    noise_mm = float(np.median(change.u_loss_mm[known]))
    return 0.0, max(float(change.loss_mm[known].max()), 2.0 * CERTAIN * noise_mm, 1e-6)


def _draw_ground(
    axes: Any,
    edges: Any,
    values: Any,
    scale: tuple[Any, tuple[float, float]],
    gaps: Sequence[tuple[BoolArray, str, str]],
) -> None:
    """Draw the cells; what has no value is hatched, never coloured."""
    from matplotlib.colors import ListedColormap

    x, y = edges
    if np.isfinite(values).any():
        colours, (low, high) = scale
        axes.pcolormesh(
            x, y, np.ma.masked_invalid(values), cmap=colours, vmin=low, vmax=high, rasterized=True
        )
    for chosen, hatch, _ in gaps:
        if chosen.any():
            axes.pcolor(
                x, y, np.ma.masked_where(~chosen, chosen.astype(float)),
                cmap=ListedColormap(["white"]), hatch=hatch, edgecolor=HATCH_INK, linewidth=0.0,
            )  # fmt: skip


def _dot(axes: Any, edges: Any, chosen: Any) -> None:
    """Draw a dot, ringed in white, in cells that are chosen: seen on every colour."""
    x, y = (0.5 * (each[1:] + each[:-1]) for each in edges)
    lines, columns = np.nonzero(chosen)
    # As large as cells leave room for.
    box = axes.figure.get_size_inches()[0] * 72.0 * 0.9 / max(x.size, 1)
    size = float(np.clip(0.3 * box, 0.6, 4.0))
    for ink, wide in (("white", 1.8), (INK, 1.0)):
        axes.plot(x[columns], y[lines], ".", color=ink, ms=wide * size, mew=0.0, rasterized=True)


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


def _draw_shares(
    axes: Any,
    ground: tuple[FloatArray, FloatArray],
    scale: tuple[Any, tuple[float, float]],
    limits: list[float],
    unit: str,
) -> None:
    """Draw how many percent of the ground have which value, coloured as on the map.

    ``ground`` is the value of each cell, and its share of the ground.
    """
    values, share = ground
    read = np.isfinite(values)
    known = values[read]
    if known.size:
        colours, (low, high) = scale
        ends = min(low, float(known.min())), max(high, float(known.max()))
        percent, edges = np.histogram(known, BARS, ends, weights=100.0 * share[read])
        middle = 0.5 * (edges[1:] + edges[:-1])
        axes.bar(
            middle, percent, width=np.diff(edges),
            color=colours((middle - low) / (high - low)), edgecolor=INK, linewidth=0.4,
        )  # fmt: skip
        axes.set_xlim(min(ends[0], *limits, ends[0]), ends[1])
    for limit, dash in zip(limits, DASHES, strict=False):
        axes.axvline(limit, color=INK, linewidth=1.1, linestyle=dash)
        axes.annotate(
            f" {limit:g} {unit}", (limit, 1.0), xycoords=("data", "axes fraction"), fontsize=8,
            va="top",
        )  # fmt: skip
    axes.set_ylabel("% of ground", fontsize=8)
