"""What readings and a calibration plot of themselves: values with their intervals, marks told."""

from __future__ import annotations

from typing import Any

import numpy as np

from ascan.base.errors import fault
from ascan.base.flags import is_fatal, is_marked
from ascan.calibration.record import Calibration
from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.report.cautions import CAUTION
from ascan.report.picture import shown_unit, tidy
from ascan.report.waveform import INK, PICK, TRACE
from ascan.results.readings import Readings

SIZE = (10.0, 5.0)
COVERAGE = 2.0


def plot_readings(readings: Readings) -> dict[str, Any]:
    """Return the axes of a figure that notebooks show: see `Readings.plot`."""
    return draw_readings(_shown(), readings)


def plot_calibration(calibration: Calibration) -> dict[str, Any]:
    """Return the axes of a figure that notebooks show: see `Calibration.plot`."""
    return draw_calibration(_shown(), calibration)


def figure_of(value: Readings | Calibration) -> Any:
    """Return a figure that is not shown, of readings or of a calibration."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=SIZE, layout="constrained")
    if isinstance(value, Readings):
        draw_readings(figure, value)
    else:
        draw_calibration(figure, value)
    return figure


def draw_readings(figure: Any, readings: Readings) -> dict[str, Any]:
    """Draw readings by row into an empty figure and return its axes.

    Raises
    ------
    AscanError
        No thickness was measured.
    """
    if "thickness_mm" not in readings.columns:
        raise fault("readings", "hold no thickness", remedy="measure with a calibration")
    axes = figure.subplots()
    unit, size = shown_unit()
    flags, rows = readings.flags, readings.scan_rows
    fatal = is_fatal(flags)
    care = is_marked(flags) & ~fatal
    value = readings.thickness_mm / size
    kinds = (
        (~fatal & ~care, "o", INK, "usable"),
        (care, "s", PICK, "usable with care"),
    )
    for which, shape, ink, told in kinds:
        if which.any():
            reach = _reach(readings, which) / size
            axes.errorbar(
                rows[which], value[which], reach, fmt=shape, color=ink, ms=3.5, lw=0.8,
                mfc="none" if shape == "s" else ink, label=f"{told}, {which.sum()}",
            )  # fmt: skip
    if fatal.any():
        floor = np.full(fatal.sum(), 0.02)
        axes.plot(
            rows[fatal], floor, "x", color=TRACE, ms=5, transform=axes.get_xaxis_transform(),
            label=f"not usable, {fatal.sum()}: no thickness",
        )  # fmt: skip
    axes.set(xlabel="row", ylabel=f"thickness, {unit}")
    axes.set_title("thickness, with the 95 % interval of this component", loc="left", fontsize=9)
    return _ended(figure, axes, "rows")


def draw_calibration(figure: Any, calibration: Calibration) -> dict[str, Any]:
    """Draw what a fit leaves of its steps into an empty figure and return its axes."""
    axes = figure.subplots()
    steps = calibration.steps
    slope = 0.5 * calibration.velocity_mm_per_us
    micrometre = 1e3
    off = micrometre * steps.residual_mm
    times_mm = slope * steps.u_interval_us
    whole_mm = np.hypot(steps.u_thickness_mm, times_mm)
    for u_mm, ink, wide, told in (
        (whole_mm, TRACE, 3.0, "its time and the block"),
        (times_mm, INK, 1.2, "its time"),
    ):
        axes.errorbar(
            steps.thickness_mm, off, COVERAGE * micrometre * u_mm, fmt="none", ecolor=ink,
            elinewidth=wide, capsize=0, label=f"2 u of a step: {told}",
        )  # fmt: skip
    axes.plot(steps.thickness_mm, off, "o", color=INK, ms=4)
    axes.axhline(0.0, color=INK, lw=0.6)
    axes.set(xlabel="step, mm", ylabel="fit less step, µm")
    doubts = "; in doubt" if calibration.is_in_doubt else ""
    axes.set_title(f"what the fit leaves of each step{doubts}", loc="left", fontsize=9)
    return _ended(figure, axes, "residuals")


def _reach(readings: Readings, which: AnyArray) -> FloatArray:
    """Return half the 95 % interval of some readings; where none was stated, two of their u."""
    stated = readings.columns.get("expanded_mm", COVERAGE * readings.u_mm)[which]
    return np.where(np.isfinite(stated), stated, 0.0)


def _shown() -> Any:
    from matplotlib import pyplot

    return pyplot.figure(figsize=SIZE, layout="constrained")


def _ended(figure: Any, axes: Any, name: str) -> dict[str, Any]:
    tidy(axes)
    if axes.get_legend_handles_labels()[1]:
        axes.legend(fontsize=8, frameon=False)
    figure.supxlabel(CAUTION, fontsize=6, wrap=True)
    return {name: axes}
