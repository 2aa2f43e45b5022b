"""SATURATED: raw samples within one and a half periods of a timed echo touch the clipping level."""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray
from ascan.kernels.jit import compiled

SATURATED = np.uint32(Flag.SATURATED)


@compiled
def check_saturation(
    block: AnyArray,
    place: FloatArray,
    peak: FloatArray,
    reach: int,
    clips: tuple[float, float],
    flags: FlagArray,
) -> None:
    """Flag rows whose echo clips.

    Parameters
    ----------
    block : ndarray, shape (n, samples), stored type
        Raw codes: a filter may hide a clipped sample.
    place, peak : ndarray, shape (n,)
        Timed place and own peak of the echo, in samples of the record (NaN: no echo). Looked at is
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
                flags[row] |= SATURATED
                break
