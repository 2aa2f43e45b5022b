"""Finding the echo in the gate: which half-cycle is its peak. Every method starts here."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.base.flags import FATAL, Flag
from ascan.finding.rows import Found, Trace
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray, IntArray
from ascan.kernels.jit import compiled
from ascan.kernels.level import first_reaching, largest
from ascan.kernels.subsample import dense_peak

FATAL_BITS = np.uint32(FATAL)
NO_ECHO = np.uint32(Flag.NO_ECHO)
AT_EDGE = np.uint32(Flag.AT_GATE_EDGE)
UNSURE = np.uint32(Flag.CYCLE_UNCERTAIN)

# The echo peak of the first echo is its largest half-cycle within this many periods of the arrival,
# or the one that a pulse which goes on rising comes to.
ECHO_PEAK_PERIODS = 1.5
# Two half-cycles whose heights differ by less than this many standard deviations of the noise may
# have changed places: the difference of two noisy heights scatters by 1.4 to 2 of them.
UNSURE_SIGMAS = 3.5

# Traces of fewer samples a period are looked at between the samples, too. There the largest sample
# of a crest is at least this part of it (cos of half a sample's phase, five samples a period).
COARSE_SAMPLES, LEAST_OF_CREST = 12.0, 0.7


@compiled
def rises_above(
    samples: AnyArray, bits: AnyArray, start: int, stop: int, height: float, counts: int
) -> bool:
    """Tell whether a counting sample in start..stop is larger than a height."""
    if stop <= start:
        return False
    top = samples[largest(bits, start, stop, counts)]
    return bool((abs(top) if counts == 0 else top * counts) > height)


class Choice(NamedTuple):
    """Which echo of a gate is sought.

    Attributes
    ----------
    threshold_bits : int
        What it must reach, in codes, above 0; given by its bits.
    want_first : bool
        The first echo to reach the threshold, else the largest in the gate.
    reach : int
        One and a half periods, in samples.
    dense : bool
        Whether the trace is so coarse that the largest sample may lie on a lesser half-cycle, and
        band-limited, so that the crests between the samples are known.
    """

    threshold_bits: int
    want_first: bool
    reach: int
    dense: bool


@compiled
def find_echoes(
    trace: Trace, bits: AnyArray, choice: Choice, found: Found, flags: FlagArray
) -> None:
    """Write the echo peak of the echo in each row's gate, its sign, and where its start may lie.

    ``bits``, shape (n, width), are those of the samples (`ascan.kernels.level.bits_of`).

    Notes
    -----
    Flags: ``NO_ECHO`` where nothing reaches the threshold; ``AT_GATE_EDGE`` where the echo's reach
    goes past the record, where the echo peak is the gate's first or last sample, or where within
    the echo's reach the signal outside the gate is larger than the peak inside, or the first echo
    had reached the threshold before the gate began;
    ``CYCLE_UNCERTAIN`` where noise may well have lifted one half-cycle above another.
    """
    reach = choice.reach
    period = int(np.ceil(reach / ECHO_PEAK_PERIODS)) + 1
    for row in range(found.peak.size):
        found.begin[row] = trace.first[row]
        found.peak[row], found.sign[row], found.half_cycle[row] = -1, 0, 0
        start, stop, count = trace.first[row], trace.last[row], trace.counts[row]
        if stop <= start:
            if not flags[row] & FATAL_BITS:
                flags[row] |= NO_ECHO
            continue
        samples, keys = trace.samples[row], bits[row]
        arrival = first_reaching(keys, start, stop, choice.threshold_bits, count)
        if arrival == stop:
            flags[row] |= NO_ECHO
            continue
        if choice.want_first:
            best = largest(keys, arrival, min(arrival + reach + 1, stop), count)
            best = highest_of_echo(samples, keys, best, stop, count, period)
            found.begin[row] = max(start, arrival - reach)
        else:
            best = largest(keys, arrival, stop, count)
            found.begin[row] = max(start, best - reach)
        way = np.int8(1) if samples[best] >= 0.0 else np.int8(-1)
        # The reach may end on a flank: climb to the top of this half-cycle.
        while best + 1 < stop and samples[best + 1] * way > samples[best] * way:
            best += 1
        if choice.dense:
            low, high = best - reach, best + reach
            if choice.want_first:
                low, high = arrival, arrival + reach
            gate = (max(low, start), min(high, stop - 1))
            best = highest_between(samples, best, gate, count, reach / ECHO_PEAK_PERIODS)
            way = np.int8(1) if samples[best] >= 0.0 else np.int8(-1)
        found.peak[row], found.sign[row] = best, way
        found.half_cycle[row] = half_cycles_between(samples, arrival, best)
        height = abs(samples[best])
        begins_before = choice.want_first and (
            first_reaching(keys, arrival - reach, start, choice.threshold_bits, count) < start
        )
        if (
            begins_before
            # On the gate's last sample the crest itself may lie outside.
            or best == start
            or best == stop - 1
            or best - reach < trace.record_begin[row]
            or best + reach >= trace.record_end[row]
            or rises_above(samples, keys, best - reach, start, height, count)
            or rises_above(samples, keys, stop, best + reach + 1, height, count)
        ):
            flags[row] |= AT_EDGE
        left, right = ends_of_half_cycle(samples, best, reach)
        alternative = height - UNSURE_SIGMAS * trace.noise[row]
        if rises_above(samples, keys, best - reach, left + 1, alternative, count) or rises_above(
            samples, keys, right, best + reach + 1, alternative, count
        ):
            flags[row] |= UNSURE


@compiled
def highest_of_echo(
    samples: AnyArray, bits: AnyArray, best: int, stop: int, counts: int, period: int
) -> int:
    """Return the half-cycle that a long pulse rises to, a period at a time from ``best`` on.

    A pulse of narrow band may reach the threshold well before its highest half-cycle.
    """
    higher = largest(bits, best, min(best + period + 1, stop), counts)
    while abs(samples[higher]) > abs(samples[best]):
        best = higher
        higher = largest(bits, best, min(best + period + 1, stop), counts)
    return best


@compiled
def highest_between(
    samples: AnyArray, top: int, gate: tuple[int, int], count: int, period: float
) -> int:
    """Return the sample next to the highest crest in a gate, crests between samples included.

    ``top`` holds the largest sample; a half-cycle beside it may be higher all the same.
    """
    best, height = top, np.float64(abs(dense_peak(samples, np.float64(top), period)[1]))
    for j in range(max(gate[0], 1), min(gate[1], samples.size - 2) + 1):
        here = np.float64(samples[j])
        way = 1.0 if here >= 0.0 else -1.0
        counts = way * count > 0.0 if count != 0 else True
        crest = here * way >= samples[j - 1] * way and here * way >= samples[j + 1] * way
        if counts and crest and j != top and abs(here) > LEAST_OF_CREST * height:
            size = np.float64(abs(dense_peak(samples, np.float64(j), period)[1]))
            if size > height:
                best, height = j, size
    return best


@compiled
def half_cycles_between(samples: AnyArray, start: int, top: int) -> int:
    """Return how many half-cycles lie from one sample to another, negative if it comes earlier."""
    low, high = min(start, top), max(start, top)
    changes = 0
    for j in range(low, high):
        if samples[j] * samples[j + 1] < 0.0:
            changes += 1
    return changes if top >= start else -changes


@compiled
def ends_of_half_cycle(samples: AnyArray, top: int, reach: int) -> tuple[int, int]:
    """Return the last sample before and the first after the half-cycle round a peak."""
    left, right = top, top
    while left > top - reach and samples[left] * samples[top] > 0.0:
        left -= 1
    while right < top + reach and samples[right] * samples[top] > 0.0:
        right += 1
    return left, right


@compiled
def refuse_unusable(
    peak: IntArray,
    first: IntArray,
    last: IntArray,
    position: FloatArray,
    u_position: FloatArray,
    flags: FlagArray,
) -> None:
    """Turn a time outside its gate, or one without an uncertainty, into ``NO_ECHO``.

    What a timing method gives is used only where it can be: the position inside the gate, its
    standard uncertainty finite and not negative.
    """
    for row in range(peak.size):
        inside = first[row] <= position[row] <= last[row] - 1
        if inside and 0.0 <= u_position[row] < np.inf:
            continue
        position[row] = np.nan
        u_position[row] = np.nan
        if peak[row] >= 0:
            flags[row] |= NO_ECHO
