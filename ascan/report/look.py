"""A first look at waveforms, before any procedure: a record, its band, all rows, and the codes."""

from __future__ import annotations

from typing import Any

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.report.waveform import BAND, INK, PICK, TRACE
from ascan.waveform.scan import Scan
from ascan.waveform.shares import envelope_of, rails_of, shares_of

# Rows and samples of a picture; of more rows evenly spaced ones are drawn, of more samples the
# largest of neighbours.
MOST_ROWS, MOST_SAMPLES = 600, 1200
# What lies so far below the largest is drawn as nothing.
DEPTH_DB = 60.0
# A spectrum is of stretches of so many samples; the quietest share of them is the noise floor.
STRETCH, QUIETEST = 256, 0.1
SIZE = (11.0, 8.0)
PANELS = [["wave", "wave"], ["rows", "band"], ["rows", "codes"]]


def look_at(figure: Any, scan: Scan, row: int) -> dict[str, Any]:
    """Draw a scan into an empty matplotlib figure and return its axes.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    scan : Scan
    row : int
        Whose waveform is drawn alone.

    Returns
    -------
    axes : dict of str to Axes
        ``wave``: the waveform, its envelope and the clip levels. ``rows``: all rows side by side,
        time downward (a B-scan). ``band``: mean spectrum and noise floor. ``codes``: how often each
        amplitude occurs.
    """
    axes = figure.subplot_mosaic(PANELS, height_ratios=[1.0, 0.8, 0.8], width_ratios=[1.5, 1.0])
    rows = _some(len(scan))
    samples = shares_of(scan, rows)
    _draw_wave(axes["wave"], scan, row)
    ends = float(rows[0]), float(rows[-1])
    rate_mhz = scan.recording.sample_rate_mhz
    draw_rows(axes["rows"], samples, scan.start_time_us[rows], rate_mhz, ends)
    every = "" if len(rows) == len(scan) else f" ({len(rows)} of {len(scan)} drawn)"
    axes["rows"].set_title(f"all rows{every}", loc="left", fontsize=9)
    axes["rows"].set_xlabel("row", fontsize=8)
    _draw_band(axes["band"], samples, rate_mhz)
    _draw_codes(axes["codes"], samples, _levels(scan))
    for each in axes.values():
        each.tick_params(labelsize=8)
        each.spines[["top", "right"]].set_visible(False)
    return dict(axes)


def look_figure(scan: Scan, row: int) -> Any:
    """Return a figure that shows a scan."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=SIZE, layout="constrained")
    look_at(figure, scan, row)
    return figure


def plot_scan(scan: Scan, row: int = 0) -> dict[str, Any]:
    """Return the axes of a figure that notebooks show (`Scan.plot`)."""
    from matplotlib import pyplot

    return look_at(pyplot.figure(figsize=SIZE, layout="constrained"), scan, row)


def draw_rows(
    axes: Any, samples: FloatArray, start_us: FloatArray, rate_mhz: float, ends: tuple[float, float]
) -> None:
    """Draw records side by side, their envelopes in dB, time downward: a B-scan.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
    samples : ndarray, shape (n, samples)
        Fractions of full scale.
    start_us : ndarray, shape (n,)
        Time of sample 0 of each.
    rate_mhz : float
    ends : tuple of float
        Where the first and the last record stand across.
    """
    finer = max(-(-samples.shape[1] // MOST_SAMPLES), 1)
    padded = np.pad(envelope_of(_centred(samples)), ((0, 0), (0, -samples.shape[1] % finer)))
    size = padded.reshape(len(padded), -1, finer).max(axis=2)
    step_us = finer / rate_mhz
    late = np.rint((start_us - start_us.min()) / step_us).astype(np.int64)
    shown = np.full((len(size), size.shape[1] + int(late.max())), np.nan)
    for own, begin, out in zip(size, late, shown, strict=True):
        out[begin : begin + own.size] = own
    largest = float(np.nanmax(shown)) or 1.0
    with np.errstate(divide="ignore"):
        level_db = np.maximum(20.0 * np.log10(shown / largest), -DEPTH_DB)
    half = 0.5 * (ends[1] - ends[0]) / max(len(size) - 1, 1) or 0.5
    begin_us = float(start_us.min())
    drawn = axes.imshow(
        level_db.T,
        aspect="auto",
        cmap="Greys",
        interpolation="nearest",
        extent=(
            ends[0] - half,
            ends[1] + half,
            begin_us + (shown.shape[1] - 0.5) * step_us,
            begin_us - 0.5 * step_us,
        ),
        vmin=-DEPTH_DB,
        vmax=0.0,
    )
    axes.set_facecolor(BAND)
    axes.set_ylabel("time after transmit pulse, µs", fontsize=8)
    bar = axes.figure.colorbar(drawn, ax=axes, pad=0.01, shrink=0.8)
    bar.set_label("size, dB under the largest", fontsize=7)
    bar.ax.tick_params(labelsize=7)


def _some(count: int) -> AnyArray:
    """Return rows evenly spaced over a scan, all of them where they are few."""
    return np.unique(np.linspace(0, count - 1, min(count, MOST_ROWS)).astype(np.int64))


def _centred(samples: FloatArray) -> FloatArray:
    """Return records with their middles taken off; what is not finite counts as 0."""
    return np.nan_to_num(samples - np.nanmedian(samples, axis=1, keepdims=True))


def _levels(scan: Scan) -> list[float]:
    """Return where the record is known to clip, as shares of full scale."""
    return [level for level in rails_of(scan.recording) if np.isfinite(level)]


def _draw_wave(axes: Any, scan: Scan, row: int) -> None:
    own = shares_of(scan, np.array([row]))
    time_us = scan.start_time_us[row] + np.arange(own.size) / scan.recording.sample_rate_mhz
    axes.plot(time_us, own[0], color=INK, linewidth=0.6, label="waveform")
    axes.plot(time_us, envelope_of(_centred(own))[0], color=PICK, linewidth=0.7, label="envelope")
    for level in _levels(scan):
        axes.axhline(level, color=TRACE, linewidth=0.8, linestyle=(0, (4, 3)))
    axes.set_xlim(time_us[0], time_us[-1])
    axes.set_xlabel("time after transmit pulse, µs", fontsize=8)
    axes.set_ylabel("fraction of full scale", fontsize=8)
    # A dollar sign would begin a formula.
    title = f"{scan.name}, row {row} (dashed: clips)".replace("$", r"\$")
    axes.set_title(title, loc="left", fontsize=9)
    axes.legend(fontsize=7, frameon=False, loc="upper right", ncols=2)


def _draw_band(axes: Any, samples: FloatArray, rate_mhz: float) -> None:
    """Draw the mean spectrum of all stretches, and that of the quietest."""
    size = min(STRETCH, samples.shape[1])
    held = _centred(samples)
    cut = np.lib.stride_tricks.sliding_window_view(held, size, axis=1)[:, :: max(size // 2, 1)]
    stretches = cut.reshape(-1, size)
    power = np.abs(np.fft.rfft(stretches * np.hanning(size), axis=1)) ** 2
    order = np.argsort(stretches.std(axis=1))
    quiet = power[order[: max(int(QUIETEST * order.size), 1)]].mean(axis=0)
    whole, mhz = power.mean(axis=0), np.fft.rfftfreq(size, 1.0 / rate_mhz)
    top = float(whole.max()) or 1.0
    for level, colour, label in ((whole, INK, "all records"), (quiet, TRACE, "noise floor")):
        level_db = 10.0 * np.log10(np.maximum(level / top, 1e-12))
        axes.plot(mhz, level_db, color=colour, linewidth=1.0, label=label)
    # Above a quarter of the digitiser's rate few probes send.
    axes.set_xlim(0.0, 0.25 * rate_mhz)
    axes.set_ylim(max(-100.0, axes.get_ylim()[0]), 3.0)
    axes.set_xlabel("frequency, MHz", fontsize=8)
    axes.set_ylabel("dB", fontsize=8)
    axes.set_title("mean spectrum; floor: the quietest tenth", loc="left", fontsize=9)
    axes.legend(fontsize=7, frameon=False, loc="upper right")


def _draw_codes(axes: Any, samples: FloatArray, rails: list[float]) -> None:
    """Draw how many samples have each amplitude, and where the record clips."""
    found = samples[np.isfinite(samples)]
    axes.hist(found, bins=101, log=True, color=TRACE)
    for level in rails:
        axes.axvline(level, color=PICK, linewidth=0.9)
    axes.set_xlabel("fraction of full scale (lines: declared clip levels)", fontsize=8)
    axes.set_ylabel("samples", fontsize=8)
    axes.set_title("amplitudes: flat tops stand as spikes", loc="left", fontsize=9)
