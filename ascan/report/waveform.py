"""A picture of one waveform: the record with its gates, and each timed echo close up."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from ascan.base.flags import reasons
from ascan.engine.pipeline import Pipeline
from ascan.kernels.arrays import AnyArray, Columns, FloatArray
from ascan.report.picture import save_picture
from ascan.results.readings import Readings, gate_column
from ascan.timing.gating import Gate
from ascan.waveform.conditioning import condition_rows

INK, TRACE, BAND, PICK = "#30343b", "#8a94a3", "#dfe7ec", "#b3541e"
CLOSE_UP_US = 1.0


def draw_waveform(
    pipeline: Pipeline,
    waveform: AnyArray,
    start_time_us: float,
    path: str | Path,
    *,
    title: str,
    replace: bool = False,
) -> Columns:
    """Draw one waveform to a PNG file and return the columns of its reading.

    Parameters
    ----------
    pipeline : Pipeline
        With a calibration the heading gives the thickness, without one the interval.
    waveform : ndarray, shape (samples,), stored type
    start_time_us : float
    path : str or Path
    """
    figure, columns = waveform_figure(pipeline, waveform, start_time_us, title=title)
    save_picture(figure, path, dpi=110, replace=replace)
    return columns


def waveform_figure(
    pipeline: Pipeline, waveform: AnyArray, start_time_us: float, *, title: str
) -> tuple[Any, Columns]:
    """Return the same as a matplotlib figure, and the columns of the reading."""
    from matplotlib.figure import Figure

    block = np.ascontiguousarray(waveform)[np.newaxis]
    columns = pipeline.run(block, np.array([start_time_us]))
    gates = pipeline.procedure.gates
    time_us = start_time_us + np.arange(block.shape[1]) / pipeline.recording.sample_rate_mhz
    raw = (block[0] - pipeline.recording.zero_code) / pipeline.recording.full_scale
    conditioned = _conditioned(pipeline, block)

    figure = Figure(figsize=(11.0, 6.4), layout="constrained")
    whole, *close = figure.subplot_mosaic(
        [["whole"] * len(gates), [gate.name for gate in gates]], height_ratios=[1.2, 1.0]
    ).values()
    whole.plot(time_us, raw, color=INK, linewidth=0.6)
    whole.set_xlim(time_us[0], time_us[-1])
    whole.set_ylim(-1.08, 1.2)
    # A dollar sign would begin a formula.
    heading = f"{title}: {_heading(columns)}".replace("$", r"\$")
    whole.set_title(heading, loc="left", fontsize=10, wrap=True)
    for number, (axes, gate) in enumerate(zip(close, gates, strict=True)):
        span = _span(pipeline, gate, columns)
        _draw_gate(whole, gate, span, columns, 1.02 + 0.09 * (number % 2))
        _draw_close_up(axes, gate, span, columns, (time_us, raw, conditioned))
    close[0].legend(
        fontsize=7, frameon=False, loc="upper left", bbox_to_anchor=(0.0, -0.16), ncols=2
    )
    for axes in (whole, *close):
        axes.set_xlabel("time after transmit pulse, µs", fontsize=8)
        axes.tick_params(labelsize=8)
        axes.spines[["top", "right"]].set_visible(False)
    whole.set_ylabel("fraction of full scale", fontsize=8)
    return figure, columns


def _conditioned(pipeline: Pipeline, block: AnyArray) -> FloatArray:
    trace = np.empty(block.shape, pipeline.gates.taps.dtype)
    origin = np.zeros(1, np.int64)
    condition_rows(block, pipeline.recording.zero_code, origin, pipeline.gates.taps, trace)
    return np.asarray(trace[0] / pipeline.recording.full_scale, np.float64)


def _heading(columns: Columns) -> str:
    if "thickness_mm" in columns:
        return str(Readings(columns)[0])
    flags = "; ".join(reasons(int(columns["flags"][0])))
    interval = f"interval {float(columns['interval_us'][0]):.4f} µs, not calibrated"
    return f"{interval} [{flags}]" if flags else interval


def _span(pipeline: Pipeline, gate: Gate, columns: Columns) -> tuple[float, float]:
    """Return where a gate lies in this record, NaN where the echo it follows is missing."""
    start, stop = pipeline.window_us(gate)
    if gate.follows:
        origin = float(columns[gate_column(gate.follows, "time_us")][0])
        return origin + start, origin + stop
    return start, stop


def _levels(gate: Gate) -> list[float]:
    """Return the thresholds that count, as seen without knowing the followed echo's polarity."""
    if gate.threshold is None:
        return []
    level = gate.threshold
    return {"positive": [level], "negative": [-level]}.get(gate.half_cycles, [-level, level])


def _draw_gate(
    axes: Any, gate: Gate, span: tuple[float, float], columns: Columns, height: float
) -> None:
    """Shade where the gate lies, dash its threshold, mark its pick."""
    if not np.isfinite(span[0]):
        return
    axes.axvspan(*span, color=BAND, alpha=0.6, linewidth=0)
    for level in _levels(gate):
        axes.plot(span, [level, level], color=TRACE, linewidth=0.8, linestyle=(0, (4, 3)))
    axes.annotate(gate.name, (span[0], height), fontsize=8, color=INK, annotation_clip=True)
    pick = float(columns[gate_column(gate.name, "time_us")][0])
    if np.isfinite(pick):
        axes.axvline(pick, color=PICK, linewidth=0.9)


def _draw_close_up(
    axes: Any,
    gate: Gate,
    span: tuple[float, float],
    columns: Columns,
    traces: tuple[FloatArray, FloatArray, FloatArray],
) -> None:
    """Draw the samples round one pick, raw and as timed; without a pick, the whole gate.

    ``traces`` are their times, and both.
    """
    time_us, raw, trace = traces
    pick = float(columns[gate_column(gate.name, "time_us")][0])
    if np.isfinite(pick):
        near = np.abs(time_us - pick) <= CLOSE_UP_US
        snr_db = float(columns[gate_column(gate.name, "snr_db")][0])
        title = f"{gate.name}: {pick:.4f} µs, {snr_db:.0f} dB over noise"
        axes.axvline(pick, color=PICK, linewidth=0.9)
    else:
        near = (time_us >= span[0]) & (time_us <= span[1])
        largest = np.abs(trace[near]).max(initial=0.0)
        title = f"{gate.name}: no echo (largest {largest:.3f}, threshold {gate.threshold:g})"
        for level in _levels(gate):
            axes.axhline(level, color=TRACE, linewidth=0.8, linestyle=(0, (4, 3)))
    axes.plot(time_us[near], raw[near], ".", color=TRACE, markersize=3, label="as recorded")
    axes.plot(time_us[near], trace[near], color=INK, linewidth=1.0, label="as timed (filtered)")
    axes.set_title(title, loc="left", fontsize=9)
    axes.locator_params(axis="x", nbins=5)
