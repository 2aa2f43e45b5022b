"""A picture of compared timing methods: spread over the bound, and error over its uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import cycle
from pathlib import Path

from ascan.report.picture import save_picture
from ascan.results.compared import Cell

# Told apart by marker and dash as well as by tone: read in grey print, too.
STYLES = [
    ("#1d3557", "o", "-"), ("#b3541e", "s", "--"), ("#457b9d", "^", "-."), ("#7a7a7a", "D", ":"),
    ("#2a9d8f", "v", "-"), ("#8d5a97", "P", "--"), ("#30343b", "X", "-."), ("#c9a227", "*", ":"),
]  # fmt: skip


def draw_comparison(cells: Sequence[Cell], path: str | Path, *, replace: bool = False) -> None:
    """Draw a comparison to a PNG file.

    Parameters
    ----------
    cells : sequence of Cell
    path : str or Path
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(10.0, 5.2), layout="constrained")
    spread, honest = figure.subplots(1, 2)
    methods = list(dict.fromkeys(cell.method for cell in cells))
    for method, (colour, marker, line) in zip(methods, cycle(STYLES), strict=False):
        own = [cell for cell in cells if cell.method == method]
        ratio = [cell.snr_db for cell in own]
        style = {"color": colour, "marker": marker, "linestyle": line, "linewidth": 1.2}
        spread.plot(ratio, [cell.over_bound for cell in own], label=method, **style)
        honest.plot(ratio, [cell.error_over_u for cell in own], **style)
    spread.set_yscale("log")
    spread.yaxis.set_major_formatter("{x:g}")
    spread.yaxis.set_minor_formatter("{x:g}")
    spread.axhline(1.0, color="#30343b", linewidth=0.8)
    spread.set_ylabel("spread of the time over the bound for a known shape")
    honest.axhspan(0.95, 1.05, color="#dfe7ec")
    honest.set_ylabel("spread of the error over the stated uncertainty")
    for axes in (spread, honest):
        axes.set_xlabel("amplitude over noise, dB")
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
    figure.legend(loc="outside lower center", ncols=min(len(methods), 3), frameon=False)
    save_picture(figure, path, dpi=150, replace=replace)
