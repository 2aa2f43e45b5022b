"""A picture of thickness over time at one place: readings, fit with its band, and the minimum."""

from __future__ import annotations

from typing import Any

import numpy as np

from ascan.report.picture import shown_unit, tidy
from ascan.report.waveform import BAND, INK, PICK
from ascan.survey.told import NORMAL
from ascan.survey.trend import Trend

DPI, STEPS = 130, 80
# A picture looks ahead half as far as the surveys reach back.
AHEAD = 0.5


def trend_figure(found: Trend, place: int, *, title: str, minimum_mm: float | None = None) -> Any:
    """Return thickness over time at one place as a matplotlib figure."""
    from matplotlib.figure import Figure

    unit, size = shown_unit()
    figure = Figure(figsize=(8.0, 5.0), layout="constrained")
    axes = figure.subplots()
    span = float(found.years[-1])
    later = np.linspace(-span, AHEAD * span, STEPS)
    drawn = [found.line.at(float(each)) for each in later]
    value, u = (np.array([one[k][place] for one in drawn]) / size for k in (0, 1))
    at = later + span
    axes.fill_between(at, value - NORMAL * u, value + NORMAL * u, color=BAND, label="95 %")
    axes.plot(at, value, color=INK, label="constant rate")
    read = np.array([one.thickness_mm[place] for one in found.surveys]) / size
    wide = np.array([NORMAL * one.u_mm[place] for one in found.surveys]) / size
    axes.errorbar(
        found.years, read, yerr=wide, fmt="o", color=INK, capsize=3, label="surveys, 95 %"
    )
    axes.axvline(span, color=INK, linewidth=0.8, linestyle=":")
    axes.annotate(" foreseen from here", (span, axes.get_ylim()[1]), va="top", fontsize=8)
    if minimum_mm is not None:
        axes.axhline(minimum_mm / size, color=PICK, linewidth=1.0, label="minimum")
    axes.set_xlabel("years since the first survey", fontsize=8)
    axes.set_ylabel(f"wall, {unit}", fontsize=8)
    axes.set_title(title.replace("$", r"\$"), loc="left", fontsize=10)
    axes.legend(fontsize=8, frameon=False)
    tidy(axes)
    return figure
