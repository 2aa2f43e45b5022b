"""A picture of block minima carried on to more blocks than were scanned."""

from __future__ import annotations

from typing import Any

import numpy as np

from ascan.report.picture import shown_unit, tidy
from ascan.report.waveform import BAND, INK, PICK, TRACE
from ascan.survey.elsewhere import Elsewhere
from ascan.survey.extremes import level_of

DPI, PLACES = 130, 9


def extremes_figure(found: Elsewhere, *, title: str) -> Any:
    """Return a return-level plot: blocks as dots, the fit, and its 95 % interval as a band."""
    from matplotlib.figure import Figure

    unit, size = shown_unit()
    figure = Figure(figsize=(8.0, 5.0), layout="constrained")
    axes = figure.subplots()
    walls = np.sort(-found.fit.values)
    ranks = (walls.size + 1.0) / np.arange(1, walls.size + 1)
    blocks = np.geomspace(1.2, max(found.blocks, 2.0 * walls.size), PLACES)
    ends = np.array([found.fit.interval(each) for each in blocks])
    line = np.array([level_of(found.fit.best, each) for each in blocks])
    plain = np.array([level_of(found.gumbel.best, each) for each in blocks])
    low, high = (np.maximum(-ends[:, k], 0.0) / size for k in (1, 0))
    axes.fill_between(blocks, low, high, color=BAND, label="95 %, profile likelihood")
    axes.plot(blocks, np.maximum(-line, 0.0) / size, color=INK, label="fitted")
    axes.plot(blocks, np.maximum(-plain, 0.0) / size, ":", color=TRACE, label="shape 0 (Gumbel)")
    axes.plot(ranks, walls / size, "o", color=INK, markersize=3, label="blocks")
    axes.axvline(found.blocks, color=PICK, linewidth=1.0)
    axes.annotate(" the whole", (found.blocks, axes.get_ylim()[0]), color=PICK, fontsize=8)
    axes.set_xscale("log")
    axes.set_xlabel("blocks, of which one has so little wall", fontsize=8)
    axes.set_ylabel(f"wall, {unit}", fontsize=8)
    axes.set_title(f"{title}: extrapolated".replace("$", r"\$"), loc="left", fontsize=10)
    axes.legend(fontsize=8, frameon=False)
    tidy(axes)
    return figure
