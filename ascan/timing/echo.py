"""Finding the echo in the gate: which half-cycle is its own peak. Every method starts here."""

from __future__ import annotations

import numpy as np

from ascan.arrays import AnyArray, FlagArray, IntArray, SignArray
from ascan.flags import Flag
from ascan.kernels.jit import compiled
from ascan.kernels.level import first_reaching, largest

NO_ECHO = np.uint32(Flag.NO_ECHO)
AT_EDGE = np.uint32(Flag.AT_GATE_EDGE)

# The own peak of the first echo is its largest half-cycle within this many periods of the arrival.
OWN_PEAK_PERIODS = 1.5


@compiled
def rises_above(
    samples: AnyArray, bits: AnyArray, start: int, stop: int, height: float, counts: int
) -> bool:
    """Tell whether a counting sample in start..stop is larger than a height."""
    if stop <= start:
        return False
    top = samples[largest(bits, start, stop, counts)]
    return bool((abs(top) if counts == 0 else top * counts) > height)


@compiled
def find_echoes(
    trace: AnyArray,
    bits: AnyArray,
    first: IntArray,
    last: IntArray,
    threshold_bits: int,
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
    bits : ndarray, shape (n, width)
        Their bits (`ascan.kernels.level.bits_of`).
    first, last : ndarray, shape (n,)
        The gate within the trace; empty where ``last <= first``.
    threshold_bits : int
        What an echo must reach, in codes, above 0; given by its bits.
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
        samples, keys = trace[row], bits[row]
        arrival = first_reaching(keys, start, stop, threshold_bits, count)
        if arrival == stop:
            flags[row] |= NO_ECHO
            continue
        if want_first:
            best = largest(keys, arrival, min(arrival + reach + 1, stop), count)
        else:
            best = largest(keys, arrival, stop, count)
            begin[row] = max(start, best - reach)
        way = np.int8(1) if samples[best] >= 0.0 else np.int8(-1)
        # The reach may end on a flank: climb to the top of this half-cycle.
        while best + 1 < stop and samples[best + 1] * way > samples[best] * way:
            best += 1
        peak[row] = best
        sign[row] = way
        height = abs(samples[best])
        begins_before = want_first and (
            first_reaching(keys, arrival - reach, start, threshold_bits, count) < start
        )
        if (
            begins_before
            or rises_above(samples, keys, best - reach, start, height, count)
            or rises_above(samples, keys, stop, best + reach + 1, height, count)
        ):
            flags[row] |= AT_EDGE
