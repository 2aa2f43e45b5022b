"""A picture of what a procedure is drafted from: the block's records, their tracks, the gates."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from ascan.engine.blocks import readings_of
from ascan.engine.pipeline import Pipeline
from ascan.kernels.arrays import FloatArray
from ascan.report.look import draw_rows
from ascan.report.waveform import PICK
from ascan.results.readings import gate_column
from ascan.waveform.scan import Scan
from ascan.waveform.shares import shares_of

# Of gates in turn; each is named, too.
GATES = ("#2f6f8f", "#7a5c99", "#4f7d4a")


def draft_figure(
    scan: Scan, steps_mm: FloatArray, tracks_us: Mapping[str, FloatArray], pipeline: Pipeline
) -> Any:
    """Return a figure of step records as a B-scan, thinnest step first.

    Parameters
    ----------
    scan : Scan
        Records of the steps.
    steps_mm : ndarray, shape (n,)
        Step of each.
    tracks_us : mapping of str to ndarray, each of shape (n,)
        When echoes are expected in each record.
    pipeline : Pipeline
        Of the procedure whose gates are drawn.
    """
    from matplotlib.figure import Figure

    order = np.argsort(steps_mm, kind="stable")
    place = np.arange(order.size, dtype=np.float64)
    figure = Figure(figsize=(11.0, 7.0), layout="constrained")
    axes = figure.subplots()
    ends = 0.0, float(order.size - 1)
    start_us, rate_mhz = scan.start_time_us[order], scan.recording.sample_rate_mhz
    draw_rows(axes, shares_of(scan, order), start_us, rate_mhz, ends)
    for name, when_us in tracks_us.items():
        axes.step(place, when_us[order], ":", where="mid", color=PICK, linewidth=1.0)
        axes.annotate(name, (place[-1], when_us[order][-1]), color=PICK, fontsize=7, ha="right")
    columns = readings_of(pipeline, scan).columns
    for colour, gate in zip(GATES, pipeline.procedure.gates, strict=False):
        begin_us, end_us = pipeline.window_us(gate)
        origin_us = np.zeros(order.size)
        if gate.follows:
            origin_us = np.asarray(columns[gate_column(gate.follows, "time_us")])[order]
        for edge_us in (origin_us + begin_us, origin_us + end_us):
            axes.step(place, edge_us, where="mid", color=colour, linewidth=1.2)
        axes.annotate(gate.name, (0.0, origin_us[0] + begin_us), color=colour, fontsize=9)
        picked_us = np.asarray(columns[gate_column(gate.name, "time_us")])[order]
        axes.plot(place, picked_us, ".", color=PICK, markersize=4)
    begins = np.flatnonzero(np.concatenate([[True], np.diff(steps_mm[order]) > 0.0]))
    axes.set_xticks(begins, [f"{mm:g}" for mm in steps_mm[order][begins]])
    axes.set_xlabel("records by step, mm", fontsize=8)
    axes.set_ylim(*_span(scan, order, columns, pipeline))
    title = "records of the block; dotted: echoes of the wall; steps: gates; dots: what is timed"
    axes.set_title(title, loc="left", fontsize=9)
    axes.tick_params(labelsize=8)
    return figure


def _span(
    scan: Scan, rows: Any, columns: Mapping[str, Any], pipeline: Pipeline
) -> tuple[float, float]:
    """Return what is shown, later first: the records, or as much of them as the gates reach."""
    begin_us = float(scan.start_time_us[rows].min())
    last_us = (scan.shape[1] - 1) / scan.recording.sample_rate_mhz
    end_us = float(scan.start_time_us[rows].max()) + last_us
    reach = []
    for gate in pipeline.procedure.gates:
        stop_us = pipeline.window_us(gate)[1]
        if gate.follows:
            stop_us += float(np.nanmax(columns[gate_column(gate.follows, "time_us")]))
        reach.append(stop_us)
    return min(end_us, max(reach) + 2.0), begin_us
