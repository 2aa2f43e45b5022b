"""What first arrivals look like on the steps, and what stands beside them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from ascan.calibration.curve import CurveFit
from ascan.calibration.step_means import StepMeans
from ascan.calibration.vee_fit import LEAST_STEPS
from ascan.engine.gates import gates_of
from ascan.kernels.arrays import AnyArray, Columns, FloatArray, IntArray
from ascan.learning.known import Known
from ascan.procedure.written import Procedure

# A first arrival runs from so many periods before the timed top to so many after: the fewer are
# clear of the second echo on any wall, the more only where it is known to be late enough.
ARRIVAL_BEFORE, ARRIVAL_AFTER, MOST_AFTER = 1.25, 0.6, 2.0


# An arrival must exceed what stands on every step at its time by so much.
CROSS_TALK_FACTOR = 1.5


@dataclass(frozen=True, eq=False, slots=True)
class Attempt:
    """One polarity: columns of each shift, the step means that fit best, and their fits."""

    columns: Columns
    usable: AnyArray
    means: StepMeans
    fits: list[CurveFit]
    shifted: dict[float, int]


def cut_arrivals(
    known: Known, procedure: Procedure, attempt: Attempt, polarity: int
) -> tuple[FloatArray, int]:
    """Return the echoes of all usable rows round their timed tops, and the index of the top."""
    scan = known.scan
    stage = gates_of(procedure, scan.recording)
    period = stage.meter.period
    before, after = int(np.ceil(ARRIVAL_BEFORE * period)), int(np.ceil(MOST_AFTER * period))
    rows = np.flatnonzero(attempt.usable)
    place = (attempt.columns["interval_us"] - scan.start_time_us) * scan.recording.sample_rate_mhz
    near = place[rows].astype(np.int64)
    climb = stage.cut(scan, rows, near, int(0.4 * period) + 2)
    top = near + np.argmax(polarity * climb, axis=1)
    cut = stage.cut(scan, rows, top - before, before + after + 1)
    return cut / np.abs(cut).max(axis=1, keepdims=True), before


def mean_arrivals(
    known: Known,
    procedure: Procedure,
    attempt: Attempt,
    polarity: int,
    train_us: FloatArray,
) -> dict[str, Any]:
    """Return the mean first arrival of each step, its time, and where its top is.

    Where the second echo reaches in, it is NaN.
    """
    cut, before = cut_arrivals(known, procedure, attempt, polarity)
    label = known.mm[attempt.usable]
    mean = np.array([cut[label == step].mean(axis=0) for step in np.unique(label)])
    times_us, frequency = attempt.means.interval_us, procedure.probe.frequency_mhz
    after = np.full(times_us.size, ARRIVAL_AFTER)
    if train_us.size > 0:
        # The timed top comes about a period after its echo begins.
        later = (np.interp(times_us, train_us[0], arrivals) for arrivals in train_us[1:])
        apart = np.min(list(later), axis=0) - times_us
        after = np.clip(apart * frequency - 1.0, ARRIVAL_AFTER, MOST_AFTER)
    period = gates_of(procedure, known.scan.recording).meter.period
    end = before + np.ceil(after * period).astype(int) + 1
    mean[np.arange(mean.shape[1]) >= end[:, None]] = np.nan
    mean = mean[:, : end.max()]
    return {"shapes": mean, "arrival_us": times_us, "zero_index": before}


def arrival_ratios(known: Known, procedure: Procedure, attempt: Attempt) -> FloatArray:
    """Return each step's first echo's peak over the largest half-cycle in its gate."""
    scan = known.scan
    stage, rate = gates_of(procedure, scan.recording), scan.recording.sample_rate_mhz
    gate = procedure.gate(procedure.interval.gates[0])
    _, stop_us = gate.window_us(procedure.nominal_zero_us, procedure.material.velocity_mm_per_us)
    rows = np.flatnonzero(attempt.usable)
    start_us = scan.start_time_us[rows]
    top = ((attempt.columns["interval_us"][rows] - start_us) * rate).astype(np.int64)
    stop = np.minimum((stop_us - start_us) * rate, scan.shape[1]).astype(np.int64)
    traces = np.abs(stage.cut(scan, rows, np.zeros_like(top), scan.shape[1]))
    reach = stage.reach
    ratios = [
        trace[first : first + reach].max() / trace[first : max(last, first + reach)].max()
        for trace, first, last in zip(traces, top, stop, strict=True)
    ]
    every = np.ones(rows.size, np.bool_)
    return known.table.per_step(np.array(ratios), known.ids[rows], every)


def cross_talk_of(known: Known, procedure: Procedure) -> FloatArray:
    """Return what stands in every record at the same time, whatever the step: cross-talk.

    The envelope of a step is the mean of its records' largest sizes within half a period; the least
    of all steps is what no step's own echo explains. With fewer than three steps, or records that
    begin at different times, it is not known.
    """
    scan, steps = known.scan, known.table.thickness_mm
    # Records that begin at different times have no common clock to lay over each other.
    if steps.size < LEAST_STEPS or np.ptp(scan.start_time_us) > 0.0:
        return np.zeros((2, 0))
    stage = gates_of(procedure, scan.recording)
    half = int(np.ceil(0.5 * stage.meter.period))
    samples = scan.shape[1]
    least = np.full(samples, np.inf)
    for step in steps:
        rows = np.flatnonzero(known.mm == step)
        envelope = np.zeros(samples)
        for row in rows:
            trace = stage.cut(scan, np.array([row]), np.zeros(1, np.int64), samples)[0]
            # A row that is not finite says nothing; it is named among those left out.
            envelope += np.nan_to_num(np.abs(trace), nan=np.inf, posinf=np.inf) / rows.size
        padded = np.pad(envelope, half)
        windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
        least = np.minimum(least, windows.max(axis=1))
    clock = scan.start_time_us[0] + np.arange(samples) / scan.recording.sample_rate_mhz
    places: IntArray = np.arange(0, samples, half)
    level = CROSS_TALK_FACTOR * least / scan.recording.full_scale
    return np.stack([clock[places], level[places]])
