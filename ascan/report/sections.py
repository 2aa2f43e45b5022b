"""A picture of sections: the wall along each way, its 95 % interval, limits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from ascan.report.picture import shown_unit, tidy
from ascan.report.waveform import BAND, INK, PICK
from ascan.survey.sections import Section

DPI, HIGH = 130, 2.6
WORDS = {
    "along": "least wall of each column of cells, along x",
    "across": "least wall of each row of cells, along y",
    "line": "wall along the line",
}


def sections_figure(
    sections: Sequence[Section], *, title: str, limits_mm: tuple[float, ...] = ()
) -> Any:
    """Return sections below one another as a matplotlib figure; gaps are where nothing was read."""
    from matplotlib.figure import Figure

    unit, size = shown_unit()
    figure = Figure(figsize=(9.0, HIGH * len(sections) + 0.4), layout="constrained")
    each = np.atleast_1d(figure.subplots(len(sections), 1, sharey=True))
    for axes, section in zip(each, sections, strict=True):
        at, wall = section.at_mm / size, section.thickness_mm / size
        half = section.half_mm / size
        axes.fill_between(at, wall - half, wall + half, step="mid", color=BAND, linewidth=0.0)
        axes.step(at, wall, where="mid", color=INK, linewidth=1.0)
        for limit in limits_mm:
            axes.axhline(limit / size, color=PICK, linewidth=1.0)
        axes.set_xlabel(f"{WORDS[section.name]}, {unit}", fontsize=8)
        axes.set_ylabel(f"wall, {unit}; band: 95 %", fontsize=8)
        tidy(axes)
    figure.suptitle(title.replace("$", r"\$"), x=0.01, ha="left", fontsize=10)
    return figure
