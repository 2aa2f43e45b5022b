"""UNEVEN_ECHOES: the wall's second echo, where it is heard, does not follow where the first says.

An interval that begins with time zero or with the surface echo is told from one echo alone. The
next one must follow it by what the reading says of the wall; if it is heard and comes at another
time, the first was not the wall's, something lies ahead of it (coating, film, lost samples), or it
was timed on another half-cycle.
"""

from __future__ import annotations

import numpy as np

from ascan.arrays import AnyArray, FlagArray, FloatArray, IntArray
from ascan.flags import Flag
from ascan.kernels.jit import compiled
from ascan.kernels.sums import dot

UNEVEN = np.uint32(Flag.UNEVEN_ECHOES)
# It is sought so many periods to each side; half an echo is so many long.
SOUGHT_PERIODS, HALF_PERIODS = 6.0, 1.5
# Heard is what stands so far out of the noise, is this part of the first, and as like it as this.
SIGMAS, LEAST_SHARE, LEAST_LIKE = 8.0, 0.08, 0.75
# The second echo of a dual probe has another shape than its first, and is sought nearby only.
MOST_DUAL_PERIODS, DUAL_PERIODS = 0.6, 1.5


@compiled
def size_at(first: AnyArray, later: AnyArray, start: int) -> float:
    """Return the size of the product of an echo with what begins at a sample of a longer trace."""
    return abs(dot(first, later[start : start + first.size]))


@compiled
def check_second(
    first: AnyArray,
    later: AnyArray,
    room: IntArray,
    noise: FloatArray,
    period: float,
    most: float,
    flags: FlagArray,
) -> None:
    """Flag rows whose second echo is heard elsewhere.

    Parameters
    ----------
    first : ndarray, shape (n, 2 half + 1)
        Conditioned samples round the first echo.
    later : ndarray, shape (n, 2 half + 1 + 2 sought)
        Those round where the second one is due.
    room : ndarray, shape (n,), int64
        So many samples to each side of that the search may go (negative: no search).
    noise : ndarray, shape (n,)
        In codes.
    period, most : float
        In samples; by more than ``most`` it must not be off.
    """
    width = first.shape[1]
    sought = (later.shape[1] - width) // 2
    for row in range(flags.size):
        own = dot(first[row], first[row])
        reach = min(room[row], sought)
        if reach < period or not own > 0.0:
            continue
        best, best_lag = 0.0, 0
        before, here = 0.0, size_at(first[row], later[row], sought - reach)
        for lag in range(-reach, reach):
            after = size_at(first[row], later[row], sought + lag + 1)
            # At the ends of the search it may go on growing: that is another echo's flank.
            if here > best and here >= before and here >= after and lag > -reach:
                best, best_lag = here, lag
            before, here = here, after
        piece = later[row, sought + best_lag : sought + best_lag + width]
        energy = dot(piece, piece)
        like = best / np.sqrt(max(own * energy, 1e-300))
        height, top = np.abs(piece).max(), np.abs(first[row]).max()
        heard = height > SIGMAS * noise[row] and height > LEAST_SHARE * top and like > LEAST_LIKE
        if heard and abs(best_lag) > most:
            flags[row] |= UNEVEN
