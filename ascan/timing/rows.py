"""What the loops of timing methods take and give: named arrays, in and out apart."""

from __future__ import annotations

from typing import NamedTuple

from ascan.kernels.arrays import AnyArray, FloatArray, IntArray, SignArray


class Rows(NamedTuple):
    """The arrays of `ascan.timing.protocol.EchoRows`, under the same names."""

    trace: AnyArray
    first: IntArray
    last: IntArray
    begin: IntArray
    peak: IntArray
    sign: SignArray
    counts: SignArray
    noise: FloatArray
    noise_slope: FloatArray


class Picks(NamedTuple):
    """Times of the echoes of n rows, in samples of the trace; NaN where there is none.

    Attributes
    ----------
    position, u_position : ndarray, shape (n,)
        And their standard uncertainty.
    """

    position: FloatArray
    u_position: FloatArray
