"""OUTSIDE_CALIBRATED_RANGE and OUTSIDE_MEASURING_RANGE: the value lies where nothing vouches."""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.kernels.arrays import FlagArray, FloatArray
from ascan.kernels.jit import compiled

CALIBRATED = np.uint32(Flag.OUTSIDE_CALIBRATED_RANGE)
MEASURING = np.uint32(Flag.OUTSIDE_MEASURING_RANGE)

# A reading on the end of a range must not be flagged for its noise: twice its own u is allowed.
COVERAGE = 2.0


@compiled
def check_ranges(
    thickness: FloatArray,
    u: FloatArray,
    calibrated: tuple[float, float],
    measuring: tuple[float, float],
    flags: FlagArray,
) -> None:
    """Flag rows outside the steps, or outside the procedure's range, by more than twice their u."""
    for row in range(flags.size):
        slack = COVERAGE * u[row]
        if thickness[row] < calibrated[0] - slack or thickness[row] > calibrated[1] + slack:
            flags[row] |= CALIBRATED
        if thickness[row] < measuring[0] - slack or thickness[row] > measuring[1] + slack:
            flags[row] |= MEASURING
