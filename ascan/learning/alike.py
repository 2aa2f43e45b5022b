"""Placing the echoes of all steps by one another: same way round, same half-cycle.

All echoes of a gate are of one kind of reflection and the same way round. From step to step the
wave moves under its envelope (diffraction) by a quarter of a period at most, so that an echo lies
on another only one way: a whole period further on it fits far worse. Whether a shape fits turned
over half a period away need not be asked.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ascan.base.flags import NOTES, Flag, is_marked
from ascan.engine.pipeline import Pipeline
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray, IntArray
from ascan.learning.known import Known
from ascan.results.readings import gate_column
from ascan.timing.gating import Gate
from ascan.waveform.scan import Scan

# Samples beside an echo that take up what moving it by part of a sample wraps round.
SPARE = 16
# Envelopes tell where an echo lies to within so many periods.
REACH_PERIODS = 0.9
# Laid on the mean of all, an echo moves no further.
AGAIN_PERIODS = 0.45


def alike_us(
    pipeline: Pipeline, known: Known, gate: Gate, columns: Mapping[str, AnyArray]
) -> FloatArray:
    """Return when each step echo of a gate came, by the others, shape (rows,), µs.

    The common zero is that of the envelopes. NaN where there is no sound echo. The steps are gone
    through from thin to thick, each laid on the mean of the one before: neighbours are most alike.
    """
    envelope_us = columns[gate_column(gate.name, "envelope_us")]
    flags = columns[gate_column(gate.name, "flags")] & ~np.uint32(Flag.CYCLE_UNCERTAIN)
    rows, placed = sound(flags, envelope_us), np.full(envelope_us.size, np.nan)
    if rows.size == 0:
        return placed
    rate, period = pipeline.recording.sample_rate_mhz, pipeline.gates.meter.period
    place = (envelope_us[rows] - known.scan.start_time_us[rows]) * rate
    half = pipeline.gates.nominal.half + int(np.ceil(REACH_PERIODS * period))
    echoes = cut_round(pipeline, known.scan, rows, place, half)
    late = np.zeros(rows.size)
    reference = _loudest(echoes, known.ids[rows] == known.ids[rows].min())
    for step in np.unique(known.ids[rows]):
        on_it = np.flatnonzero(known.ids[rows] == step)
        late[on_it] = [lag_on(reference, each, REACH_PERIODS * period) for each in echoes[on_it]]
        reference = moved(echoes[on_it], late[on_it]).sum(axis=0)
    mean = moved(echoes, late).sum(axis=0)
    late = np.array([lag_on(mean, each, AGAIN_PERIODS * period, at) for each, at
                     in zip(echoes, late, strict=True)])  # fmt: skip
    placed[rows] = envelope_us[rows] + (late - np.median(late)) / rate
    return placed


def _loudest(echoes: FloatArray, among: AnyArray) -> FloatArray:
    """Return the echo of most energy among some."""
    return np.asarray(echoes[among][np.square(echoes[among]).sum(axis=1).argmax()])


def lag_on(reference: FloatArray, echo: FloatArray, reach: float, near: float = 0.0) -> float:
    """Return by how many samples an echo lies late on another, the same way round.

    Sought within ``reach`` samples of ``near``; a parabola through the best three.
    """
    product = np.correlate(echo, reference, "same")
    lags = np.arange(product.size) - product.size // 2
    inside = np.where(np.abs(lags - near) <= reach, product, -np.inf)
    best = int(np.clip(inside.argmax(), 1, product.size - 2))
    before, here, after = product[best - 1 : best + 2]
    bend = before - 2.0 * here + after
    offset = 0.5 * (before - after) / bend if bend < 0.0 else 0.0
    return float(lags[best] + np.clip(offset, -0.5, 0.5))


def moved(echoes: FloatArray, late: FloatArray) -> FloatArray:
    """Return echoes moved to be so many samples earlier."""
    return _shifted(np.pad(echoes, ((0, 0), (SPARE, SPARE))), late)


def _shifted(wide: FloatArray, late: FloatArray) -> FloatArray:
    """Return traces so many samples earlier, without the spare samples at both ends."""
    width = wide.shape[1]
    omega = 2.0 * np.pi * np.fft.rfftfreq(width)
    turned = np.fft.rfft(wide) * np.exp(1j * np.outer(late, omega))
    return np.asarray(np.fft.irfft(turned, width)[:, SPARE : width - SPARE])


def sound(flags: FlagArray, found_us: FloatArray) -> IntArray:
    """Return the rows whose echo nothing speaks against; clipped ones only where all are."""
    there = np.isfinite(found_us) & ~is_marked(flags)
    whole = there & (flags & np.uint32(NOTES) == 0)
    return np.flatnonzero(whole if whole.any() else there)


def cut_round(
    pipeline: Pipeline, scan: Scan, rows: IntArray, place: FloatArray, half: int
) -> FloatArray:
    """Return echoes moved so that their places, in samples, lie on the middle sample."""
    whole = np.rint(place).astype(np.int64)
    out = pipeline.gates.cut(scan, rows, whole - half - SPARE, 2 * (half + SPARE) + 1)
    return _shifted(out, place - whole)
