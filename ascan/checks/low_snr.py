"""LOW_SNR: the echo's own peak stands too little above the noise of its record."""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.kernels.arrays import FlagArray, FloatArray
from ascan.kernels.jit import compiled

LOW_SNR = np.uint32(Flag.LOW_SNR)


@compiled
def check_snr(
    amplitude: FloatArray, noise: FloatArray, least_db: float, snr_db: FloatArray, flags: FlagArray
) -> None:
    """Write 20 log10(|amplitude| / noise), both in codes, and flag rows below ``least_db``."""
    for row in range(snr_db.size):
        snr_db[row] = 20.0 * np.log10(abs(amplitude[row]) / noise[row])
        if snr_db[row] < least_db:
            flags[row] |= LOW_SNR
