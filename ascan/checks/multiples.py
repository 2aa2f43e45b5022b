"""OTHER_ECHO, behind: an echo stands behind the wall's first one and is no multiple of it.

A wall repeats its echo at equal spacings. What else comes back with a good part of its height says
that the timed echo is not the first, or not the wall's: the third of a wall whose first is missing,
the wall behind a reflector that lies in front of it.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.other_echo import SIGMAS, USUAL
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray, IntArray
from ascan.kernels.jit import compiled

OTHER = np.uint32(Flag.OTHER_ECHO)
# So many spacings behind the first echo are looked at: the third echo of a wall of which the second
# was timed comes after half a spacing, and later ones run into much that is none of theirs.
SPACINGS = 2.5


@compiled
def apart_of_multiples(
    trace: AnyArray,
    last: IntArray,
    later: FloatArray,
    reach: int,
    height: FloatArray,
    share: FloatArray,
) -> None:
    """Write the largest half-cycle between an echo's multiples over its own.

    Parameters
    ----------
    trace : ndarray, shape (n, width)
        Conditioned samples from the echo's own peak on.
    last : ndarray, shape (n,)
        So many of them are looked at.
    later : ndarray, shape (n,)
        Spacing of the multiples, in samples.
    reach : int
        So near to a multiple, it is that one.
    height : ndarray, shape (n,)
        Of the echo, in codes.
    share : ndarray, shape (n,)
        Out: 0 where all that is looked at is near a multiple; NaN where there is no echo.
    """
    for row in range(share.size):
        share[row] = np.nan
        if not height[row] > 0.0 or not later[row] > 0.0:
            continue
        top, begin = 0.0, reach
        for multiple in range(1, int(SPACINGS) + 2):
            middle = int(np.rint(multiple * later[row]))
            for j in range(begin, min(middle - reach, last[row])):
                top = max(top, abs(np.float64(trace[row, j])))
            begin = max(begin, middle + reach)
        share[row] = top / height[row]


def flag_apart(
    share: FloatArray, usual: FloatArray, most: float, snr_db: FloatArray, flags: FlagArray
) -> None:
    """Flag rows whose ``share`` exceeds ``most``, what the steps had, and noise, all shape (n,)."""
    noise = SIGMAS * 10.0 ** (-snr_db / 20.0)
    larger = share > np.maximum(most, USUAL * usual) + noise
    flags |= np.where(larger, OTHER, np.uint32(0))
