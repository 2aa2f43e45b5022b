"""Records that are turned over: a swapped wire, or a negative gain."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check_input import Along
from ascan.kernels.arrays import AnyArray, Columns, FloatArray
from ascan.waveform.repair import mirrored

if TYPE_CHECKING:
    from ascan.engine.pipeline import Pipeline

# What the mirror image of a record may still say, since it does not come from polarity.
STILL = (
    Flag.CALIBRATION_IN_DOUBT
    | Flag.SATURATED
    | Flag.OUTSIDE_CALIBRATED_RANGE
    | Flag.OUTSIDE_MEASURING_RANGE
    | Flag.WEAK_ECHO
    | Flag.SPIKE_REPAIRED
)
# An echo that is turned over is timed on one of its own half-cycles as it is; what comes further
# off is another echo, and hides the one that came first.
MOST_OFF_PERIODS = 1.1


def measure_mirrored(
    pipeline: Pipeline,
    block: AnyArray,
    start_time_us: FloatArray,
    along: Along,
    columns: Columns,
) -> None:
    """Measure again what may be turned over, as its mirror image; keep what is then sound.

    Where the polarity matters, the record speaks against its reading, and its mirror image does
    not. ``columns`` are the readings, and are overwritten.
    """
    hints = np.uint32(pipeline.reader.inverted_hints)
    # Of a wall too thin to resolve, another arrival may open with the other polarity.
    thin = columns["flags"] & np.uint32(Flag.UPPER_BOUND) != 0
    rows = np.flatnonzero((columns["flags"] & hints != 0) & ~thin)
    # A first arrival has others behind it, and one record alone is not turned over by a wire.
    alone = pipeline.procedure.layout.is_dual and pipeline.about.scan_upright
    if rows.size == 0 or alone:
        return
    images = mirrored(block[rows], pipeline.recording)
    again = pipeline.run_as_is(images, start_time_us[rows], None, along.chosen(rows))
    sound = (again["flags"] & np.uint32(~int(STILL) & 0xFFFFFFFF)) == 0
    if hints & np.uint32(Flag.CYCLE_UNCERTAIN):
        off_us = np.abs(again["interval_us"] - columns["interval_us"][rows])
        sound &= off_us <= MOST_OFF_PERIODS / pipeline.about.probe.frequency_mhz
    again["flags"] |= np.uint32(Flag.POLARITY_INVERTED)
    for name, values in again.items():
        columns[name][rows[sound]] = values[sound]
