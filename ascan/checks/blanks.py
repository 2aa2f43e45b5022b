"""A record of a gate only: what the instrument left out is blank, and may have held signal."""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray, IntArray
from ascan.kernels.jit import compiled

AT_EDGE = np.uint32(Flag.AT_GATE_EDGE)
CUT_SHORT = np.uint32(Flag.GATE_CUT_SHORT)


@compiled
def check_blanks(
    block: AnyArray,
    gate: tuple[IntArray, IntArray],
    place: FloatArray,
    peak: FloatArray,
    reach: int,
    flags: FlagArray,
) -> None:
    """Flag rows in which a blank lies in the gate, or within an echo's reach.

    A blank is a run of at least ``reach`` equal codes; a signal too quiet to move the digitiser
    cannot be told from one, and is taken for one. ``GATE_CUT_SHORT``: a blank lies in the gate, an
    echo in it would not be seen. ``AT_GATE_EDGE``: a blank lies within ``reach`` of the echo, which
    may have begun before it, or go on behind it.

    Parameters
    ----------
    block : ndarray, shape (n, samples), stored type
    gate : pair of ndarray, shape (n,)
        First sample of the record in it, and the one after the last.
    place, peak : ndarray, shape (n,)
        Timed place and own peak of the echo, in samples of the record (NaN: no echo).
    reach : int
        One and a half periods, in samples.
    """
    first, last = gate
    for row in range(block.shape[0]):
        samples = block[row]
        begin, end = np.inf, -np.inf
        if np.isfinite(place[row]):
            begin = min(place[row], peak[row]) - reach - 1.0
            end = max(place[row], peak[row]) + reach + 1.0
        start = 0
        for j in range(1, samples.size + 1):
            if j < samples.size and samples[j] == samples[start]:
                continue
            if j - start >= reach:
                if start < last[row] and j > first[row]:
                    flags[row] |= CUT_SHORT
                if start <= end and j - 1 >= begin:
                    flags[row] |= AT_EDGE
            start = j
