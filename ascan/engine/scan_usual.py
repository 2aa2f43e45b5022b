"""What a scan tells of itself before its waveforms are judged: strength, delay, which way up."""

from __future__ import annotations

import dataclasses
from typing import NamedTuple

import numpy as np

from ascan.base.errors import fault
from ascan.base.flags import Flag, is_fatal
from ascan.checks.second_echo import SCAN_DELAY
from ascan.checks.strength_of_scan import DUAL_DROP_DB, LEAST_DROP_DB, least_of_scan
from ascan.checks.weak_echo import learns_from_scan
from ascan.engine.blocks import readings_of
from ascan.engine.pipeline import Pipeline
from ascan.kernels.arrays import AnyArray, BoolArray, FloatArray, IntArray
from ascan.results.readings import Readings
from ascan.waveform.scan import Scan

# Fewer readings have no middle to speak of; more, evenly from all of the scan, tell no more.
FEWEST, MOST, FEWEST_DELAYS = 10, 200, 8
DELAY, SECOND = "delay_us", "second_echo_delay_us"


class ScanUsual(NamedTuple):
    """What is usual in a scan; NaN where too few of its readings tell.

    Attributes
    ----------
    least_strength : float
        Below it an echo is weak among the others (`ascan.checks.weak_echo`).
    delay_us : float
        By how much all echoes of a dual probe's records come late, in the middle of the scan.
    upright : bool
        More of its records are sound as they are than turned over: a swapped wire turns over all.
    """

    least_strength: float = np.nan
    delay_us: float = np.nan
    upright: bool = False


def knowing(pipeline: Pipeline, usual: ScanUsual) -> Pipeline:
    """Return a pipeline that judges by what is usual in a scan; NaN: by the procedure."""
    about = dataclasses.replace(
        pipeline.about,
        least_strength=usual.least_strength,
        scan_delay_us=usual.delay_us,
        scan_upright=usual.upright,
    )
    return dataclasses.replace(pipeline, about=about)


def usual_of(pipeline: Pipeline, scan: Scan, rows: IntArray) -> ScanUsual:
    """Return what is usual in rows of a scan, by a first look at some of them."""
    layout = pipeline.procedure.layout
    if not (learns_from_scan(layout) or layout.is_dual) or rows.size < FEWEST:
        return ScanUsual()
    looked_at = np.unique(np.linspace(0, rows.size - 1, MOST).astype(np.int64))
    columns = readings_of(pipeline, scan.choose(rows[looked_at])).columns
    sound = ~is_fatal(columns["flags"])
    strength = _told(columns.get("relative_amplitude"), sound)
    strength = strength[strength > 0.0]
    delay_us = _told(columns.get(DELAY if layout.of_whole_record else SECOND), sound)
    least = np.nan
    if strength.size >= FEWEST and learns_from_scan(layout):
        drop_db, fit = DUAL_DROP_DB if layout.is_dual else LEAST_DROP_DB, pipeline.calibration
        per_step = 1.0 if fit is None else float(np.median(fit.steps.readings))
        least = least_of_scan(strength, drop_db, per_step)
    told = layout.is_dual and delay_us.size >= FEWEST_DELAYS
    delay = float(np.median(delay_us)) if told else np.nan
    return ScanUsual(least, delay, _is_upright(columns["flags"]))


def _is_upright(flags: AnyArray) -> bool:
    """Return whether more readings are sound as they are than turned over; of few, no."""
    turned = np.count_nonzero(flags & np.uint32(Flag.POLARITY_INVERTED))
    return flags.size >= FEWEST and bool(np.count_nonzero(flags == 0) > turned)


def _told(column: AnyArray | None, sound: BoolArray) -> FloatArray:
    """Return the values of a column that sound readings have."""
    if column is None:
        return np.zeros(0)
    values = np.asarray(column, np.float64)
    return values[sound & np.isfinite(values)]


def usual_kept(readings: Readings, channel: int | None = None) -> ScanUsual:
    """Return what readings were judged by; NaN where they were by nothing of the kind.

    Raises
    ------
    AscanError
        They are no readings.
    """
    if not isinstance(readings, Readings):
        raise fault("like", f"is {type(readings).__name__}", allowed="Readings of the whole scan")
    columns = readings.columns
    own = np.ones(len(readings), np.bool_)
    if channel is not None and "channel" in columns:
        own = columns["channel"] == channel

    def kept(name: str) -> float:
        values = columns[name][own] if name in columns else np.zeros(0)
        return float(values[0]) if values.size else np.nan

    upright = _is_upright(columns["flags"][own])
    return ScanUsual(kept("least_strength"), kept(SCAN_DELAY.name), upright)
