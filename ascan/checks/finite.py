"""NOT_FINITE: the waveform holds a NaN or an infinity anywhere."""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.kernels.arrays import AnyArray, FlagArray
from ascan.kernels.jit import compiled_sums

NOT_FINITE = np.uint32(Flag.NOT_FINITE)


@compiled_sums
def check_finite(block: AnyArray, flags: FlagArray) -> None:
    """Flag rows of a floating-point block, shape (n, samples), that hold a NaN or an infinity."""
    for row in range(block.shape[0]):
        # x − x is 0 for every finite x and NaN for all others, and the sum of NaN stays NaN.
        total = 0.0
        samples = block[row]
        for j in range(samples.size):
            total += samples[j] - samples[j]
        if total != 0.0:
            flags[row] |= NOT_FINITE
