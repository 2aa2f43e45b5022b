"""A picture of what is found by size: shares, fit, and the size found in 90 % at 95 %."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from ascan.report.picture import shown_unit, tidy
from ascan.report.waveform import INK, PICK
from ascan.survey.detection import SHARE, Found

DPI, STEPS = 130, 120
DASHES = ("-", "--", ":", "-.")


def detection_figure(found: Mapping[str, Found], *, title: str) -> Any:
    """Return shares found by size as a matplotlib figure, a line for each kind of pit."""
    from matplotlib.figure import Figure

    unit, size = shown_unit()
    figure = Figure(figsize=(8.0, 5.0), layout="constrained")
    axes = figure.subplots()
    for (name, one), dash in zip(found.items(), DASHES * len(found), strict=False):
        axes.plot(one.size_mm / size, one.hits / one.tries, "o", color=INK, markersize=3)
        at = np.geomspace(one.size_mm.min(), one.size_mm.max(), STEPS)
        told = one.size_90_95_mm
        end = f"{told / size:.2g} {unit}" if np.isfinite(told) else "not reached"
        share = np.interp(at, one.size_mm, one.hits / one.tries)
        if one.fit is not None:
            share = one.fit.at(np.log(at))
        axes.plot(at / size, share, dash, color=INK, label=f"{name}: 90 % at 95 %: {end}")
    axes.axhline(SHARE, color=PICK, linewidth=1.0)
    axes.set(ylim=(-0.03, 1.03))
    axes.set_xlabel(f"diameter, {unit}", fontsize=8)
    axes.set_ylabel("share found, simulated", fontsize=8)
    axes.set_title(title.replace("$", r"\$"), loc="left", fontsize=10)
    axes.legend(fontsize=8, frameon=False)
    tidy(axes)
    return figure
