"""Learning what an echo of each gate looks like from the calibration's own echoes."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import numpy as np

from ascan.base.flags import Flag
from ascan.echo.bound import Taught
from ascan.engine.binding import bind
from ascan.engine.blocks import readings_of
from ascan.engine.pipeline import Pipeline
from ascan.kernels.arrays import AnyArray, FloatArray, IntArray
from ascan.learning.known import Known
from ascan.procedure.written import Procedure
from ascan.results.readings import gate_column
from ascan.timing.gating import Gate
from ascan.waveform.scan import Scan
from ascan.waveform.template import Template

# The first mean is of echoes placed by their envelopes, which have no half-cycles to mistake; the
# last by what was learned.
ROUNDS = 3
# Samples beside an echo that take up what moving it by part of a sample wraps round.
SPARE = 16
# An echo whose misfit is so many times the usual one has something beside it, and is left out.
ODD = 3.0
# Learned is as far as so many nominal halves; what holds less of the energy is left off; where the
# scatter is so many times the usual one, another echo begins.
WIDER, LEFT_OFF, STRANGE = 2.0, 1e-4, 5.0
# Of fewer echoes, what they differ in is noise as like as not.
LEAST_ECHOES = 4
# Rounding to codes scatters by so much of one.
LEAST_STEP = 0.29


def learn_templates(known: Known, procedure: Procedure, taught: Taught) -> dict[str, Template]:
    """Return the mean echo of every gate whose method takes a template.

    Parameters
    ----------
    known : Known
        Rows with a flag are not used.
    procedure : Procedure
    taught : Taught
        What is known of their echoes.

    Returns
    -------
    templates : dict of str to Template
        By gate; without those in which no echo could be used.
    """
    gates = [gate for gate in procedure.gates if gate.timing.traits.takes_template]
    templates: dict[str, Template] = {}
    for n in range(ROUNDS if gates else 0):
        guided = dataclasses.replace(taught, templates=templates)
        pipeline = bind(procedure, known.scan.recording, taught=guided)
        columns = readings_of(pipeline, known.scan).columns
        placed_by = "time_us" if n else "envelope_us"
        # Where no echo can be used, what was learned before stays.
        templates = templates | {
            gate.name: learned
            for gate in gates
            if (learned := _mean_echo(pipeline, known.scan, gate, columns, placed_by)) is not None
        }
    return templates


def learn_shapes(
    pipeline: Pipeline, scan: Scan, columns: Mapping[str, AnyArray]
) -> dict[str, Template]:
    """Return the mean echo of every gate of the interval, as its own method timed them.

    Parameters
    ----------
    pipeline : Pipeline
        Without a calibration; the templates of its methods are kept as they are.
    scan : Scan
        Step readings only.
    columns : dict of ndarray
        What the pipeline gave of them.
    """
    procedure, shapes = pipeline.procedure, dict(pipeline.gates.taught.templates)
    for name in () if pipeline.recording.rectified else procedure.interval.gates:
        gate = procedure.gate(name)
        if not gate.seeks_one_echo:
            continue
        if name not in shapes:
            learned = _mean_echo(pipeline, scan, gate, columns, "time_us")
            if learned is None:
                continue
            shapes[name] = learned
        shapes[name] = _drifting(pipeline, scan, gate, columns, shapes[name])
    return shapes


def _drifting(
    pipeline: Pipeline, scan: Scan, gate: Gate, columns: Mapping[str, AnyArray], known: Template
) -> Template:
    """Return a template with what its echoes differ in most, between thin steps and thick ones.

    The first singular vector of what it leaves of them within their reach.
    """
    found_us = columns[gate_column(gate.name, "time_us")]
    flags = columns[gate_column(gate.name, "flags")]
    rows = np.flatnonzero((flags == 0) & np.isfinite(found_us))
    if rows.size < LEAST_ECHOES:
        return known
    time_us = found_us[rows] - scan.start_time_us[rows]
    cut = _cut(pipeline, scan, rows, time_us * scan.recording.sample_rate_mhz, known.half)
    shape, reach = known.samples, min(pipeline.gates.reach, known.half)
    middle = slice(known.half - reach, known.half + reach + 1)
    height = cut[:, middle] @ shape[middle] / (shape[middle] @ shape[middle])
    left = cut / height[:, None] - shape
    share, spread, _ = np.linalg.svd(left[:, middle], full_matrices=False)
    share = share[:, 0] / np.abs(share[:, 0]).max()
    drift = share @ left / (share @ share) if spread[0] > 0.0 else np.zeros(shape.size)
    return dataclasses.replace(known, drift=drift)


def _mean_echo(
    pipeline: Pipeline, scan: Scan, gate: Gate, columns: Mapping[str, AnyArray], placed_by: str
) -> Template | None:
    """Return the mean of a gate's unflagged echoes, each weighted by its height."""
    known = pipeline.gates.taught.templates.get(gate.name)
    present = _wide(known or pipeline.gates.nominal, pipeline)
    found_us = columns[gate_column(gate.name, placed_by)]
    # Which half-cycle it is does not matter to an echo placed by its envelope.
    heeded = ~np.uint32(Flag.CYCLE_UNCERTAIN if placed_by == "envelope_us" else 0)
    flags = columns[gate_column(gate.name, "flags")] & heeded
    rows = np.flatnonzero((flags == 0) & np.isfinite(found_us))
    if rows.size == 0:
        return None
    time_us = found_us[rows] - scan.start_time_us[rows]
    cut = _cut(pipeline, scan, rows, time_us * scan.recording.sample_rate_mhz, present.half)
    usual = present.samples if known else _usual_shape(cut, present.samples)
    height = cut @ usual / (usual @ usual)
    misfit = np.linalg.norm(cut / height[:, None] - usual, axis=1)
    kept = misfit <= ODD * np.median(misfit)
    cut, height = cut[kept], height[kept]
    mean = height @ cut / (height @ height)
    size = np.abs(mean).max()
    apart = np.sqrt(np.mean((cut / height[:, None] - mean) ** 2, axis=0)) / size
    # Only echoes that their own mean places are placed well enough to tell where they scatter.
    step = LEAST_STEP * float(pipeline.recording.step) / size
    half = _own_half(mean / size, apart, step) if known else pipeline.gates.nominal.half
    middle = slice(mean.size // 2 - half, mean.size // 2 + half + 1)
    scatter = float(np.sqrt(np.mean(apart[middle] ** 2)))
    return Template(mean[middle] / size, echoes=int(kept.sum()), scatter=scatter)


def _usual_shape(cut: FloatArray, nominal: FloatArray) -> FloatArray:
    """Return the shape that echoes share best, the way round that is more like the nominal one.

    Their first singular vector: no echo's own polarity or phase has to be known.
    """
    shape = np.linalg.svd(cut, full_matrices=False)[2][0]
    return np.asarray(shape if shape @ nominal >= 0.0 else -shape)


def _wide(template: Template, pipeline: Pipeline) -> Template:
    """Return a template with room on both sides for a pulse longer than the nominal one."""
    half = int(np.ceil(WIDER * pipeline.gates.nominal.half))
    more = max(half - template.half, 0)
    return Template(np.pad(template.samples, more))


def _own_half(mean: FloatArray, apart: FloatArray, step: float) -> int:
    """Return how far from its middle a mean echo is its own, in samples.

    Up to where next to nothing of its energy is left, or where single echoes scatter far more than
    they usually do: there another echo begins, on thin steps sooner than on thick ones. They
    scatter by ``step`` at least, which quiet samples of a coarse digitiser do not show.
    """
    middle = mean.size // 2
    own = apart <= STRANGE * max(float(np.median(apart)), step)
    energy = mean @ mean
    half = 1
    while half < middle and own[middle - half] and own[middle + half]:
        inside = mean[middle - half : middle + half + 1]
        if energy - inside @ inside < LEFT_OFF * energy:
            break
        half += 1
    return half


def _cut(
    pipeline: Pipeline, scan: Scan, rows: IntArray, place: FloatArray, half: int
) -> FloatArray:
    """Return echoes moved so that their places, in samples, lie on the middle sample."""
    whole = np.rint(place).astype(np.int64)
    width = 2 * (half + SPARE) + 1
    out = pipeline.gates.cut(scan, rows, whole - half - SPARE, width)
    omega = 2.0 * np.pi * np.fft.rfftfreq(width)
    early = np.exp(1j * np.outer(place - whole, omega))
    moved = np.fft.irfft(np.fft.rfft(out) * early, width)
    return np.asarray(moved[:, SPARE : width - SPARE])
