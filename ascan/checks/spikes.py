"""SPIKED: lone samples that were mended (`ascan.waveform.spikes`) lie under an echo."""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray
from ascan.kernels.jit import compiled

SPIKED = np.uint32(Flag.SPIKED)


@compiled
def check_spikes(
    block: AnyArray,
    mended: AnyArray,
    place: FloatArray,
    peak: FloatArray,
    reach: int,
    flags: FlagArray,
) -> None:
    """Flag rows in which a mended sample lies within ``reach`` of an echo.

    ``place`` and ``peak``, shape (n,), are its timed place and own peak in samples (NaN: none).
    """
    for row in range(block.shape[0]):
        if not np.isfinite(place[row]):
            continue
        start = int(np.floor(min(place[row], peak[row]))) - reach
        stop = int(np.ceil(max(place[row], peak[row]))) + reach + 1
        for j in range(max(start, 0), min(stop, block.shape[1])):
            if block[row, j] != mended[row, j]:
                flags[row] |= SPIKED
                break
