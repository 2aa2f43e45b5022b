"""What the usual shape of a gate's echo leaves of each echo, and of what stands ahead of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ascan.checks.shape_mismatch import (
    Sized,
    Usual,
    arrival_reach,
    write_arrival_residuals,
    write_shape_residuals,
)
from ascan.checks.unexpected_echo import take_off_forerunners
from ascan.echo.placing import Placed
from ascan.kernels.arrays import AnyArray, FloatArray, IntArray
from ascan.timing.gating import Gate

if TYPE_CHECKING:
    from ascan.echo.stage import GateStage


def shape_left(
    stage: GateStage, gate: Gate, placed: Placed, peak: IntArray, position: FloatArray
) -> tuple[FloatArray, AnyArray]:
    """Return what the usual shape of a gate's echo leaves of each; NaN where none is known.

    And the trace without what of that shape stands ahead of each echo's reach.
    """
    trace, learned = placed.trace.samples, stage.taught.guide.learned
    shape_residual = np.full(len(trace), np.nan)
    if gate.seeks_first_arrival and learned.arrival_us.size:
        clock = (placed.clock_us, 1.0 / stage.recording.sample_rate_mhz)
        top = np.where(np.isfinite(position), peak, -1)
        near = arrival_reach(stage.meter.period)
        write_arrival_residuals(trace, top, clock, learned, near, shape_residual)
        return shape_residual, trace
    template = stage.taught.templates.get(gate.name)
    if template is None or stage.recording.rectified:
        return shape_residual, trace
    # Within an echo's reach, which the trace holds on both sides of the gate.
    half = min(stage.reach, template.half)
    middle = slice(template.half - half, template.half + half + 1)
    near_it = Usual(
        np.ascontiguousarray(template.shapes[:, middle], trace.dtype),
        np.ascontiguousarray(template.drifts[:, middle], trace.dtype),
    )
    sized = Sized(np.empty(len(trace)), np.empty(len(trace)))
    write_shape_residuals(trace, position, near_it, shape_residual, sized)
    alone, whole = trace.copy(), Usual(template.shapes, template.drifts)
    take_off_forerunners(alone, position, peak, stage.reach, whole, sized)
    return shape_residual, alone
