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
from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.learning.alike import alike_us, cut_round, sound
from ascan.learning.known import Known
from ascan.procedure.written import Procedure
from ascan.results.readings import gate_column
from ascan.timing.gating import Gate
from ascan.waveform.scan import Scan
from ascan.waveform.template import Template

# The first mean is of echoes placed by one another (`ascan.learning.alike`), the last by what was
# learned.
ROUNDS = 3
# An echo whose misfit is so many times the usual one has something beside it, and is left out.
ODD = 3.0
# Learned is as far as so many nominal halves; what holds less of the energy is left off; where the
# scatter is so many times the usual one, another echo begins.
WIDER, LEFT_OFF, STRANGE = 2.0, 1e-4, 5.0
# So does one where an echo that has come down to so much of its level grows to so many times its
# least.
DIED_AWAY, GROWS = 0.2, 1.5
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
    # Echoes of one train are timed alike only by one template.
    train = procedure.layout.back_walls if procedure.layout.between_back_walls else ()
    later = {name: train[0] for name in train[1:]}  # noqa: C420
    templates: dict[str, Template] = {}
    for n in range(ROUNDS if gates else 0):
        guided = dataclasses.replace(taught, templates=templates)
        pipeline = bind(procedure, known.scan.recording, taught=guided)
        columns = readings_of(pipeline, known.scan).columns
        for gate in gates:
            placed = _times(gate, columns) if n else alike_us(pipeline, known, gate, columns)
            learned = _mean_echo(pipeline, known.scan, gate, columns, placed)
            # Where no echo can be used, what was learned before stays.
            if learned is not None:
                templates[gate.name] = learned
        templates |= {
            name: templates[first]
            for name, first in later.items()
            if name in templates and first in templates
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
            learned = _mean_echo(pipeline, scan, gate, columns, _times(gate, columns))
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
    rows = sound(flags, found_us)
    if rows.size < LEAST_ECHOES:
        return known
    time_us = found_us[rows] - scan.start_time_us[rows]
    cut = cut_round(pipeline, scan, rows, time_us * scan.recording.sample_rate_mhz, known.half)
    shape, reach = known.samples, min(pipeline.gates.reach, known.half)
    middle = slice(known.half - reach, known.half + reach + 1)
    height = cut[:, middle] @ shape[middle] / (shape[middle] @ shape[middle])
    left = cut / height[:, None] - shape
    share, spread, _ = np.linalg.svd(left[:, middle], full_matrices=False)
    share = share[:, 0] / np.abs(share[:, 0]).max()
    drift = share @ left / (share @ share) if spread[0] > 0.0 else np.zeros(shape.size)
    return dataclasses.replace(known, drift=drift)


def _mean_echo(
    pipeline: Pipeline,
    scan: Scan,
    gate: Gate,
    columns: Mapping[str, AnyArray],
    found_us: FloatArray,
) -> Template | None:
    """Return the mean of a gate's unflagged echoes at these times, each weighted by its height."""
    known = pipeline.gates.taught.templates.get(gate.name)
    present = _wide(known or pipeline.gates.nominal, pipeline)
    # Echoes placed by one another have no half-cycle to mistake.
    heeded = ~np.uint32(0 if known else Flag.CYCLE_UNCERTAIN)
    flags = columns[gate_column(gate.name, "flags")] & heeded
    rows = sound(flags, found_us)
    if rows.size == 0:
        return None
    time_us = found_us[rows] - scan.start_time_us[rows]
    cut = cut_round(pipeline, scan, rows, time_us * scan.recording.sample_rate_mhz, present.half)
    # Only within what is the echo's own for sure: further out another may be far larger.
    inner = known.half if known else pipeline.gates.nominal.half
    own = slice(present.half - inner, present.half + inner + 1)
    usual = known.samples if known else _usual_shape(cut[:, own], present.samples[own])
    height = cut[:, own] @ usual / (usual @ usual)
    misfit = np.linalg.norm(cut[:, own] / height[:, None] - usual, axis=1)
    kept = misfit <= ODD * np.median(misfit)
    cut, height = cut[kept], height[kept]
    mean = height @ cut / (height @ height)
    size = np.abs(mean[own]).max()
    apart = np.sqrt(np.mean((cut / height[:, None] - mean) ** 2, axis=0)) / size
    # Only echoes that their own mean places are placed well enough to tell where they scatter.
    step = LEAST_STEP * float(pipeline.recording.step) / (size * np.median(np.abs(height)))
    limit = STRANGE * max(float(np.median(apart[own])), step)
    half = inner
    if known:
        # One that is shorter than a period tells no half-cycle.
        period = round(pipeline.gates.meter.period)
        half = max(_own_half(mean / size, apart, limit, period), period)
    middle = slice(present.half - half, present.half + half + 1)
    scatter = float(np.sqrt(np.mean(apart[middle] ** 2)))
    way = 1 if np.median(height) > 0.0 else -1
    return Template(mean[middle] / size, echoes=int(kept.sum()), scatter=scatter, polarity=way)


def _times(gate: Gate, columns: Mapping[str, AnyArray]) -> FloatArray:
    return np.asarray(columns[gate_column(gate.name, "time_us")])


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


def _own_half(mean: FloatArray, apart: FloatArray, limit: float, period: int) -> int:
    """Return how far from its middle a mean echo is its own, in samples.

    Up to where next to nothing of its energy is left; or where another echo begins: single echoes
    scatter far more than they usually do (``apart`` over ``limit``), on thin steps sooner than on
    thick ones, or the mean, having died away, grows again.
    """
    middle, energy, half = mean.size // 2, mean @ mean, 1
    level = np.sqrt(np.convolve(mean**2, np.ones(period) / period, "same"))
    least = np.full(2, level[middle])
    while half < middle and max(apart[middle - half], apart[middle + half]) <= limit:
        inside = mean[middle - half : middle + half + 1]
        beside = level[[middle - half, middle + half]]
        least = np.minimum(least, beside)
        grows = (beside > GROWS * least) & (least < DIED_AWAY * level[middle])
        if energy - inside @ inside < LEFT_OFF * energy or grows.any():
            break
        half += 1
    return half
