"""Searches over a row: where it first reaches a level, and where it is largest.

Positive floating-point numbers sort as their bits do (IEEE 754), and integers are compared many at
a time where floating-point numbers are not, since a NaN may be among them. So the searches run over
the bits of a row, turned so that what does not count is negative. A NaN sorts above infinity; rows
that hold one are refused elsewhere.
"""

from __future__ import annotations

import numpy as np

from ascan.kernels.arrays import AnyArray
from ascan.kernels.jit import compiled

CHUNK = 64


def bits_of(trace: AnyArray) -> AnyArray:
    """Return the bits of float32 or float64 samples as signed integers, without a copy."""
    return trace.view(np.int32 if trace.itemsize == 4 else np.int64)


@compiled
def turn(bits: AnyArray, counts: int) -> tuple[int, int]:
    """Return (mask, flip) for half-cycles that count: any (0), positive (+1), negative (−1).

    (bits & mask) ^ flip sorts as the sample's size, the sample, or its negative.
    """
    sign_bit = np.int64(1) << (8 * bits.itemsize - 1)
    if counts == 0:
        return bits.dtype.type(~sign_bit), bits.dtype.type(0)
    return bits.dtype.type(-1), bits.dtype.type(sign_bit if counts < 0 else 0)


@compiled
def first_reaching(bits: AnyArray, start: int, stop: int, level: int, counts: int) -> int:
    """Return the first index in start..stop at which a row reaches a level; ``stop`` if none.

    ``level`` is given by its bits, turned.
    """
    mask, flip = turn(bits, counts)
    height = bits.dtype.type(level)
    place = start
    while place + CHUNK <= stop:
        chunk = bits[place : place + CHUNK]
        reached = np.int32(0)
        for j in range(CHUNK):
            reached += np.int32(((chunk[j] & mask) ^ flip) >= height)
        if reached > 0:
            break
        place += CHUNK
    while place < stop and ((bits[place] & mask) ^ flip) < height:
        place += 1
    return place


@compiled
def largest(bits: AnyArray, start: int, stop: int, counts: int) -> int:
    """Return the index of the largest counting sample in start..stop, the first one of equals.

    Where no sample counts (all are of the other sign) it is any of them.
    """
    mask, flip = turn(bits, counts)
    window = bits[start:stop]
    height = (window[0] & mask) ^ flip
    for j in range(window.size):
        height = max(height, (window[j] & mask) ^ flip)
    return first_reaching(bits, start, stop, height, counts)
