"""A calibration's conditions in words: what was used, what was left out, and the way out."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from ascan.base.errors import AscanError
from ascan.base.errors import calibration_fault as fault
from ascan.base.flags import Flag
from ascan.engine.pipeline import Pipeline
from ascan.kernels.arrays import BoolArray, FlagArray
from ascan.learning.known import Known, channel_of
from ascan.procedure.written import Procedure

# What to do where a flag keeps every step reading from being used.
WAYS_OUT = {
    Flag.GATE_CUT_SHORT: "let the gates end where the record does, or record for longer",
    Flag.GATE_OUTSIDE_RECORD: "put the gates where the record is, or record there",
    Flag.SATURATED: "take them again with less gain",
    Flag.LOW_SNR: "take them again with more gain, better coupling or averaging",
    Flag.NO_ECHO: "put the gates where the echoes are, lower their threshold, or mend gain and "
    "coupling",
    Flag.CYCLE_UNCERTAIN: "state half_cycles of the gate",
    Flag.AT_GATE_EDGE: "let the gate begin before the thinnest step's echo does, and after the "
    "echo ahead has died down",
}


def conditions_of(
    known: Known, procedure: Procedure, used: BoolArray, flags: FlagArray
) -> dict[str, str]:
    """Return when and from what a calibration was made."""
    channel = channel_of(known.scan, np.flatnonzero(used))
    return ({"channel": channel} if channel else {}) | {
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "scan": known.scan.name,
        "procedure": procedure.title,
        "material": procedure.material.name,
        "rows_used": ", ".join(str(row) for row in known.rows[used].tolist()),
        "rows_left_out": known.told(flags, used),
        "readings_kept": known.kept(used),
    }


def nothing_usable(known: Known, pipeline: Pipeline, flags: FlagArray) -> AscanError:
    """Return the error of step readings of which none can be used."""
    left_out = known.told(flags, np.zeros(flags.size, np.bool_))
    return fault(
        "calibration",
        f"no step reading can be used ({left_out}); {_where_gates_lie(pipeline, known)}",
        remedy=_way_out(flags),
    )


def _way_out(flags: FlagArray) -> str:
    """Return what mends the commonest of the flags on step readings of which none can be used."""
    counts = {flag: int((flags & np.uint32(flag) != 0).sum()) for flag in WAYS_OUT}
    most = max(counts, key=lambda flag: counts[flag])
    return WAYS_OUT[most] if counts[most] else "mend the gates, the gain or the coupling"


def _where_gates_lie(pipeline: Pipeline, known: Known) -> str:
    """Return the span of the first record, and those of all gates, in words."""
    scan = known.scan
    begin_us = float(scan.start_time_us[0])
    end_us = begin_us + (scan.shape[1] - 1) / scan.recording.sample_rate_mhz
    told = [f"the record runs from {begin_us:g} to {end_us:g} µs"]
    for gate in pipeline.procedure.gates:
        low_us, high_us = pipeline.window_us(gate)
        after = f"after gate '{gate.follows}'" if gate.follows else "of the clock"
        told.append(f"gate '{gate.name}' from {low_us:.2f} to {high_us:.2f} µs {after}")
    return ", ".join(told)
