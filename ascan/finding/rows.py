"""What the loops over a block's rows take and give: named arrays, in and out apart."""

from __future__ import annotations

from typing import NamedTuple

from ascan.kernels.arrays import AnyArray, FloatArray, IntArray, SignArray


class Trace(NamedTuple):
    """Conditioned rows of a block and the gate in each; indices count the trace's own samples.

    Attributes
    ----------
    samples : ndarray, shape (n, width)
        In codes from zero.
    first, last : ndarray, shape (n,)
        First sample of the gate and the one after its last; empty where ``last <= first``.
    record_begin, record_end : ndarray, shape (n,)
        Where the record begins and ends.
    counts : ndarray, shape (n,), int8
        Half-cycles that count: +1, −1, or 0 for any.
    noise : ndarray, shape (n,)
        Standard deviation of the noise, in codes.
    """

    samples: AnyArray
    first: IntArray
    last: IntArray
    record_begin: IntArray
    record_end: IntArray
    counts: SignArray
    noise: FloatArray


class Found(NamedTuple):
    """The echo in each row's gate, written by the search; every array has shape (n,).

    Attributes
    ----------
    begin : ndarray
        Where its start may lie.
    peak : ndarray
        Its echo peak; −1 where there is none.
    sign : ndarray, int8
        Of the echo peak.
    half_cycle : ndarray
        How many half-cycles the echo peak comes after the first sample that reached the threshold.
    """

    begin: IntArray
    peak: IntArray
    sign: SignArray
    half_cycle: IntArray


class Masked(NamedTuple):
    """A first echo that noise may mask ahead of the one that was found; shape (n,) each.

    Attributes
    ----------
    lead : ndarray
        How many samples ahead it would stand; NaN where no shape is learned.
    share : ndarray
        The size of what stands there over that of the echo found.
    """

    lead: FloatArray
    share: FloatArray


class Learned(NamedTuple):
    """What the steps' first arrivals look like.

    Attributes
    ----------
    shapes : ndarray, shape (steps, samples)
        Mean first arrival on each step; NaN from where the second echo reaches in.
    arrival_us : ndarray, shape (steps,)
        When each of them arrived.
    zero_index : int
        Index of the timed half-cycle's top in them.
    """

    shapes: FloatArray
    arrival_us: FloatArray
    zero_index: int


class Row(NamedTuple):
    """One row in which a first arrival is sought.

    Attributes
    ----------
    samples : ndarray, shape (width,)
    lift : ndarray, shape (width,) or (0,)
        What cross-talk lifts each place to, in codes; of no size where none is known.
    train : ndarray, shape (3, depths)
        Where the first echo of walls, the second, and the mode-converted one are.
    learned : Learned
    clock_us, sample_us : float
        Time of the trace's first sample, and of one sample.
    start, stop : int
        The gate.
    reach : int
        One and a half periods, in samples.
    counts : int
        Half-cycles that count: +1, −1, or 0 for any.
    """

    samples: AnyArray
    lift: FloatArray
    train: FloatArray
    learned: Learned
    clock_us: float
    sample_us: float
    start: int
    stop: int
    reach: int
    counts: int
