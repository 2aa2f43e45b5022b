"""EARLIER_ECHO: an echo about as large stands where the first one would be if a later was timed.

If the timed echo is in truth the second or third of a train, the first came at a half or a third of
its interval. An echo there of the same polarity and of at least 0.7 of the timed one's height says
so. What cannot be told apart: a wall half as thick from a reflector half way down a thicker one.
"""

from __future__ import annotations

import numpy as np

from ascan.arrays import AnyArray, FlagArray, FloatArray
from ascan.flags import Flag
from ascan.kernels.jit import compiled

EARLIER = np.uint32(Flag.EARLIER_ECHO)
SHARES = (2, 3)
LEAST_HEIGHT = 0.7
# A later echo's time tells the first one's to this part of a period.
NEAR_PERIODS = 0.5
# Nearer than this to its beginning, an interval still holds the echo or pulse it begins with.
CLEAR_PERIODS = 2.0


@compiled
def check_earlier(
    trace: AnyArray, ahead_us: FloatArray, clear_us: float, height: FloatArray, flags: FlagArray
) -> None:
    """Flag rows in which a window at a share of the interval holds an echo like the timed one.

    Parameters
    ----------
    trace : ndarray, shape (n, width)
        Conditioned samples of that window, in codes from zero.
    ahead_us : ndarray, shape (n,)
        From the beginning of the interval to the window's middle (NaN: nothing to check).
    clear_us : float
        What ``ahead_us`` must exceed for the window to be free of what the interval begins with.
    height : ndarray, shape (n,)
        Signed own peak of the timed echo, in codes.
    """
    for row in range(flags.size):
        if not ahead_us[row] > clear_us:
            continue
        for j in range(trace.shape[1]):
            value = np.float64(trace[row, j])
            if value * height[row] > 0.0 and abs(value) > LEAST_HEIGHT * abs(height[row]):
                flags[row] |= EARLIER
                break
