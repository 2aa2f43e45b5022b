"""SATURATED: raw samples within one and a half periods of a timed echo touch the clipping level."""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.kernels.arrays import AnyArray, BoolArray, FloatArray
from ascan.kernels.jit import compiled


@compiled
def mark_clipped(
    block: AnyArray,
    place: FloatArray,
    peak: FloatArray,
    reach: int,
    clips: tuple[float, float],
    found: BoolArray,
) -> None:
    """Mark rows whose echo clips.

    Parameters
    ----------
    block : ndarray, shape (n, samples), stored type
        Raw codes: a filter may hide a clipped sample.
    place, peak : ndarray, shape (n,)
        Timed place and echo peak of the echo, in samples of the record (NaN: no echo). Looked at is
        all from ``reach`` before the earlier to ``reach`` after the later of the two.
    clips : tuple of float
        Low and high codes at and beyond which a sample counts as clipped.
    """
    samples = block.shape[1]
    for row in range(block.shape[0]):
        if not np.isfinite(place[row]):
            continue
        start = int(np.floor(min(place[row], peak[row]))) - reach
        stop = int(np.ceil(max(place[row], peak[row]))) + reach + 1
        for j in range(max(start, 0), min(stop, samples)):
            if block[row, j] >= clips[1] or block[row, j] <= clips[0]:
                found[row] = True
                break


def evidence(seen: CheckInput) -> Evidence:
    """Return whose echo clips."""
    recording, found = seen.about.recording, np.zeros(seen.rows, np.bool_)
    clips, at = (recording.clip_low, recording.clip_high), seen.at
    mark_clipped(seen.block, at.place, at.echo_peak, seen.about.reach, clips, found)
    return {"clipped": found}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag them."""
    return {Flag.SATURATED: found["clipped"]}


CHECK = Check(name="saturation", stage=Stage.GATE, evidence=evidence, judge=judge)
