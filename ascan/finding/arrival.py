"""Finding the first arrival in a gate: clear of the noise, of what lies between, of cross-talk."""

from __future__ import annotations

import numpy as np

from ascan.finding.rows import Row
from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.kernels.jit import compiled

# A second echo up to 10 dB above the first leaves the first 0.32 of the largest, and noise takes of
# that: an arrival must reach this part of the largest signal in the gate. Walls much thinner than
# the probe's focus have later echoes that are larger still: where the steps show so, it is this
# part of what their first echoes were.
LEAST_SHARE, OF_USUAL_SHARE = 0.2, 0.5
# ... and so many standard deviations of what lies ahead of it, grain included: less than one false
# arrival in 3000 among a hundred independent half-cycles. Half of the largest passes anyway.
CLEAR_OF_BACKGROUND = 5.0
MOST_SHARE = 0.5
# What stands ahead of an arrival: pulses that grow in two periods leave 0.02 of their echo peak
# there (aperture integral), one that is a later echo of a wall too thin to resolve 0.17 and more.
QUIET_SHARE, QUIET_SIGMAS = 0.08, 4.5
# Once an echo is found, its beginning may be this near to the background.
AT_LEAST_BACKGROUND = 3.0
# The background is read off the quieter half-periods: this share of them, if they hold Gaussian
# noise, stays below so many of its standard deviations (Rayleigh's law).
QUIETER, QUIETER_SIGMAS = 0.25, 0.7585
# Noise of a wider band than the pulse's has more than one crest in a half-period: the background
# then reads up to so many times its standard deviation.
WIDE_BAND = 1.6
# A gate of fewer half-periods holds little but the echo, fewer ahead of the echo tell nothing.
SHORT_GATE, FEW = 12, 4
# An arrival that is not clear but that foretells the echo that was taken is worth a flag from here.
NOTED = 3.5


@compiled
def largest_size(samples: AnyArray, start: int, stop: int) -> int:
    """Return the index of the sample of largest size in start..stop."""
    best = start
    for j in range(start, stop):
        if abs(samples[j]) > abs(samples[best]):
            best = j
    return best


@compiled
def clears(samples: AnyArray, lift: FloatArray, j: int) -> bool:
    """Tell whether a sample is no smaller than what cross-talk lifts its place to."""
    return lift.size == 0 or abs(np.float64(samples[j])) >= lift[j]


@compiled
def first_above(samples: AnyArray, lift: FloatArray, start: int, stop: int, height: float) -> int:
    """Return the first index at which the size reaches a height and its lift; ``stop`` if none."""
    for j in range(start, stop):
        if abs(np.float64(samples[j])) >= height and clears(samples, lift, j):
            return j
    return stop


@compiled
def background(
    samples: AnyArray, start: int, top: int, stop: int, half: int, room: FloatArray
) -> float:
    """Return the standard deviation of what lies between echoes, by its quieter half-periods.

    Ahead of the largest echo, or in the whole gate where that is quieter: the train of a thin wall
    fills what is ahead of its largest echo.
    """
    ahead = (top - start) // half
    whole = (stop - start) // half
    for k in range(whole):
        begin = start + k * half
        room[k] = abs(np.float64(samples[largest_size(samples, begin, begin + half)]))
    if whole < SHORT_GATE:
        return 0.0
    level = np.quantile(room[:whole], QUIETER)
    if ahead >= FEW:
        level = min(level, np.quantile(room[:ahead], QUIETER))
    return level / QUIETER_SIGMAS


@compiled
def levels_of(
    row: Row, floor: float, least_share: float, room: FloatArray
) -> tuple[float, float, float]:
    """Return what an arrival in a gate must reach, what its beginning must, and the background."""
    top = largest_size(row.samples, row.start, row.stop)
    largest = abs(np.float64(row.samples[top]))
    low = max(floor, least_share * largest)
    ahead = max(top - row.reach, row.start)
    level = background(row.samples, row.start, ahead, row.stop, row.reach // 3, room)
    clear = max(low, min(CLEAR_OF_BACKGROUND * level, MOST_SHARE * largest))
    return clear, max(low, min(AT_LEAST_BACKGROUND * level, clear)), level


@compiled
def arrival_after(row: Row, start: int, clear: float, low: float) -> int:
    """Return where the first echo from ``start`` on arrives; the gate's end: nowhere.

    The first sample that stands clear of the background; from there back to where the same echo
    first passes the lower level.
    """
    place = first_above(row.samples, row.lift, start, row.stop, clear)
    if place == row.stop:
        return place
    return first_above(row.samples, row.lift, max(place - row.reach, start), row.stop, low)


@compiled
def foretelling(row: Row, arrival: int, height: float) -> int:
    """Return where something may be the first echo and the arrival after it a later one of its.

    ``arrival`` where nothing is.
    """
    if row.train.shape[1] == 0:
        return arrival
    for j in range(row.start, arrival - row.reach):
        if abs(row.samples[j]) >= height and clears(row.samples, row.lift, j):
            for later in range(1, row.train.shape[0]):
                follower = np.interp(np.float64(j), row.train[0], row.train[later])
                if abs(follower - arrival) <= row.reach:
                    return j
    return arrival


@compiled
def echo_peak(samples: AnyArray, arrival: int, stop: int, reach: int) -> int:
    """Return the largest sample of the echo that arrives at a place."""
    return largest_size(samples, arrival, min(arrival + reach + 1, stop))


@compiled
def is_quiet(row: Row, top: int, own: float, noise: float) -> bool:
    """Tell whether nothing stands ahead of an arrival: else it may be a later echo's."""
    limit = max(QUIET_SHARE * own, QUIET_SIGMAS * noise)
    # From a little over two reaches before the top to just ahead of the echo's own beginning.
    for j in range(max(top - (7 * row.reach) // 3, 0), top - (9 * row.reach) // 10):
        if abs(row.samples[j]) > limit and clears(row.samples, row.lift, j):
            return False
    return True
