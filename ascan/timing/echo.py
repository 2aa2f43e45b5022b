"""Finding the echo in the gate: which half-cycle is its own peak. Every method starts here."""

from __future__ import annotations

import numpy as np

from ascan.arrays import AnyArray, FlagArray, IntArray, SignArray
from ascan.flags import Flag
from ascan.kernels.jit import compiled

NO_ECHO = np.uint32(Flag.NO_ECHO)
AT_EDGE = np.uint32(Flag.AT_GATE_EDGE)

# The own peak of the first echo is its largest half-cycle within this many periods of the arrival.
OWN_PEAK_PERIODS = 1.5


@compiled
def signed(value: float, counts: int) -> float:
    """Return a sample as the half-cycles that count see it: its size, itself, or its negative."""
    if counts == 0:
        return abs(value)
    return value * counts


@compiled
def largest(row: AnyArray, start: int, stop: int, counts: int) -> int:
    """Return the index of the largest counting sample in start..stop, the first one of equals."""
    best = start
    height = signed(row[start], counts)
    for j in range(start + 1, stop):
        value = signed(row[j], counts)
        if value > height:
            height = value
            best = j
    return best


@compiled
def tallest(row: AnyArray, start: int, stop: int, counts: int) -> float:
    """Return the height of the largest counting sample in start..stop; 0 if that is empty."""
    if stop <= start:
        return 0.0
    return float(signed(row[largest(row, start, stop, counts)], counts))


@compiled
def find_echoes(
    trace: AnyArray,
    first: IntArray,
    last: IntArray,
    threshold: float,
    counts: SignArray,
    want_first: bool,
    reach: int,
    begin: IntArray,
    peak: IntArray,
    sign: SignArray,
    flags: FlagArray,
) -> None:
    """Write the own peak of the echo in each row's gate, its sign, and where its start may lie.

    Parameters
    ----------
    trace : ndarray, shape (n, width)
        Conditioned samples, in codes from zero.
    first, last : ndarray, shape (n,)
        The gate within the trace; empty where ``last <= first``.
    threshold : float
        In codes, above 0.
    counts : ndarray, shape (n,), int8
        +1, -1, or 0 for any half-cycle.
    want_first : bool
        The first echo to reach the threshold, else the largest in the gate.
    reach : int
        One and a half periods, in samples.

    Notes
    -----
    Flags: ``NO_ECHO`` where nothing reaches the threshold (an empty gate only gets -1);
    ``AT_GATE_EDGE`` where, within the echo's reach, the signal outside the gate is larger than the
    peak inside, or the first echo had reached the threshold before the gate began.
    """
    for row in range(peak.size):
        begin[row] = first[row]
        peak[row] = -1
        sign[row] = 0
        start, stop, count = first[row], last[row], counts[row]
        if stop <= start:
            continue
        samples = trace[row]
        arrival = start
        if want_first:
            while arrival < stop and not signed(samples[arrival], count) >= threshold:
                arrival += 1
            best = largest(samples, arrival, min(arrival + reach + 1, stop), count)
        else:
            best = largest(samples, start, stop, count)
            begin[row] = max(start, best - reach)
        if arrival == stop or not signed(samples[best], count) >= threshold:
            flags[row] |= NO_ECHO
            continue
        way = np.int8(1) if samples[best] >= 0.0 else np.int8(-1)
        # The reach may end on a flank: climb to the top of this half-cycle.
        while best + 1 < stop and samples[best + 1] * way > samples[best] * way:
            best += 1
        peak[row] = best
        sign[row] = way
        height = signed(samples[best], count)
        before = tallest(samples, best - reach, start, count)
        after = tallest(samples, stop, best + reach + 1, count)
        early = tallest(samples, arrival - reach, start, count)
        if max(before, after) > height or (want_first and early >= threshold):
            flags[row] |= AT_EDGE
