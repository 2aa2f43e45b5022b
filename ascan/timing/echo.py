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
    ``AT_GATE_EDGE`` where the signal stands above the threshold at the gate's start or is still
    growing past one of its ends.
    """
    for row in range(peak.size):
        begin[row] = first[row]
        peak[row] = -1
        sign[row] = 0
        start, stop = first[row], last[row]
        if stop <= start:
            continue
        samples = trace[row]
        arrival = start
        if want_first:
            while arrival < stop and not signed(samples[arrival], counts[row]) >= threshold:
                arrival += 1
            best = largest(samples, arrival, min(arrival + reach + 1, stop), counts[row])
        else:
            best = largest(samples, start, stop, counts[row])
            begin[row] = max(start, best - reach)
        if arrival == stop or not signed(samples[best], counts[row]) >= threshold:
            flags[row] |= NO_ECHO
            continue
        way = np.int8(1) if samples[best] >= 0.0 else np.int8(-1)
        # The reach may end on a flank: climb to the top of this half-cycle.
        while best + 1 < stop and samples[best + 1] * way > samples[best] * way:
            best += 1
        peak[row] = best
        sign[row] = way
        grows_before = best == start and samples[best - 1] * way > samples[best] * way
        grows_after = best == stop - 1 and samples[best + 1] * way > samples[best] * way
        above = signed(samples[start], counts[row]) >= threshold
        if grows_before or grows_after or (want_first and above):
            flags[row] |= AT_EDGE
