"""Which half-cycle opens an echo, and where its learned shape lies best on a trace."""

from __future__ import annotations

import numpy as np

from ascan.finding.arrival import arrival_after, clears, echo_peak, foretelling
from ascan.finding.rows import Row
from ascan.kernels.arrays import AnyArray
from ascan.kernels.jit import compiled

# What the timed half-cycle must reach of the echo's peak. The half-cycles of one polarity that
# precede it reach 0.1 of it on usual pulses, itself 0.4 and more (aperture integral, 1 to 25 mm).
OPENING = 0.25
# Two candidates are not told apart where the energies that they leave differ by less than this part
# of the shape's, or by less than noise makes of it at so many standard deviations.
UNSURE_SHARE, UNSURE_SIGMAS = 0.04, 2.0
# A shape may be so many times larger or smaller than the echo's peak asks.
FREEDOM = 1.5
# Shapes lie on whole samples; below some eight samples a period that costs this share and more.
COARSE_SAMPLES = 2.5
# A shape of which this part and what noise adds is left is not the learned one: the echo
# is inverted, clipped or another's. Between coarse steps a tenth is left.
UNLIKE_SHARE, UNLIKE_NOISE = 0.3, 3.0
# An arrival that leaves more is passed over where a later one leaves less.
LIKE_AT_ALL = 0.4
# What foretells the arrival as its later echo is taken itself where so little is left of it, and
# where it is no smaller than this part: a second echo is up to 10 dB above the first.
FORETOLD_SHARE, FORETOLD_PEAK = 0.15, 0.3
# A place whose echo peak is smaller than this part of the one first found is not the same echo's.
LEAST_OF_PEAK = 0.5
# A shape turned over may fit so much better where walls are thin and shapes short.
TURNED_SHARE = 0.04
# Half-cycles so many periods before and after the one that seems to open an echo are looked at: a
# weak beginning hides further than a strong one, grain may stand ahead where there is room.
EARLIER_PERIODS, LATER_PERIODS, MOST_LATER_PERIODS = 2, 1, 3
# An arrival that no learned shape fits may be grain: so many are looked at, the first one included.
ARRIVALS = 4


@compiled
def next_top(samples: AnyArray, top: int, step: int, stop: int) -> int:
    """Return the top of the half-cycle before (step −1) or after (+1) the one round ``top``.

    −1 where the trace ends before it.
    """
    j = top
    while 0 <= j + step < stop and samples[j] * samples[top] > 0.0:
        j += step
    if samples[j] * samples[top] > 0.0:
        return -1
    best = j
    while 0 <= j < stop and samples[j] * samples[top] <= 0.0:
        if abs(samples[j]) > abs(samples[best]):
            best = j
        j += step
    return best if samples[best] * samples[top] < 0.0 else -1


@compiled
def opening_top(row: Row, arrival: int) -> int:
    """Return the top of the half-cycle that opens an echo: the first to reach 0.25 of its peak.

    The echo peak is the largest sample within ``reach`` of the arrival.
    """
    samples, stop = row.samples, row.stop
    end = min(arrival + row.reach + 1, stop)
    own = echo_peak(samples, arrival, stop, row.reach)
    wanted = OPENING * abs(samples[own])
    for j in range(max(arrival - row.reach, 1), end):
        value = samples[j]
        counts = value * row.counts > 0.0 if row.counts != 0 else True
        if counts and abs(value) >= wanted and clears(samples, row.lift, j):
            while j + 1 < stop and abs(samples[j + 1]) > abs(samples[j]):
                j += 1
            return j
    return own


@compiled
def left_by_shapes(row: Row, top: int, way: int) -> tuple[float, float]:
    """Return the energy that learned shapes leave of a trace, laid on ``top``, and their own.

    Of the shapes of the two steps next in time and the one between them, the best. Their size is
    what the echo peak after ``top`` asks, give or take ``FREEDOM``: the front of an echo grows so
    evenly that with its size free a cycle more or less would fit about as well. ``way`` −1 turns
    them over.
    """
    samples = row.samples
    shapes, arrival_us, zero_index = row.learned
    start = top - zero_index
    if start < 0 or start + shapes.shape[1] > samples.size:
        return np.inf, 1.0
    own = abs(np.float64(samples[echo_peak(samples, top, samples.size, row.reach)]))
    part = samples[start : start + shapes.shape[1]]
    place = int(np.searchsorted(arrival_us, row.clock_us + row.sample_us * top))
    left, right = max(place - 1, 0), min(place, arrival_us.size - 1)
    least, own_energy = np.inf, 1.0
    for share in (0.0, 0.5, 1.0):
        product, power, energy = 0.0, 0.0, 0.0
        for j in range(part.size):
            wanted = (1.0 - share) * shapes[left, j] + share * shapes[right, j]
            if np.isnan(wanted):
                break
            value = np.float64(part[j]) * way
            product += wanted * value
            power += wanted * wanted
            energy += value * value
        size = min(max(product / power, own / FREEDOM), own * FREEDOM)
        unexplained = energy - 2.0 * size * product + size * size * power
        # Each against its own energy: first arrivals of thin walls are longer drawn.
        if unexplained * own_energy < least * size * size * power or least == np.inf:
            least, own_energy = unexplained, size * size * power
    return least, own_energy


@compiled
def place_shape(row: Row, opened: int, later: int) -> tuple[int, float, float, float, float]:
    """Return the top on which a learned shape fits best, near the one that seems to open an echo.

    Tops whole periods before and up to ``later`` periods after it are tried, the polarity being
    known. Returned besides: the energy that the shape leaves there, its own, what the next best
    place leaves, and what the shape turned over leaves in between (all for one of that energy).
    """
    samples, stop, reach = row.samples, row.stop, row.reach
    top = opened
    least_peak = LEAST_OF_PEAK * abs(np.float64(samples[echo_peak(samples, opened, stop, reach)]))
    left, energy = left_by_shapes(row, opened, 1)
    best, alternative, turned = left / energy, np.inf, np.inf
    for step in (-1, 1):
        beside = opened
        for half in range(2 * (later if step > 0 else EARLIER_PERIODS)):
            beside = next_top(samples, beside, step, stop)
            if beside < 0:
                break
            if abs(np.float64(samples[echo_peak(samples, beside, stop, reach)])) < least_peak:
                continue
            way = 1 if half % 2 == 1 else -1
            left, own = left_by_shapes(row, beside, way)
            share = left / own
            if way < 0:
                turned = min(turned, share)
            elif share < best:
                alternative, best, energy, top = best, share, own, beside
            else:
                alternative = min(alternative, share)
    return top, best * energy, energy, alternative * energy, turned * energy


@compiled
def periods_later(row: Row, top: int) -> int:
    """Return how many periods after a top its echo may still open: well ahead of later ones."""
    if row.train.shape[1] == 0:
        return LATER_PERIODS
    apart = np.inf
    for later in range(1, row.train.shape[0]):
        apart = min(apart, np.interp(np.float64(top), row.train[0], row.train[later]) - top)
    return int(min(max(1.5 * apart / row.reach - 1.0, LATER_PERIODS), MOST_LATER_PERIODS))


@compiled
def match_shapes(
    row: Row, seems: tuple[int, int], heights: tuple[float, float], noise: float
) -> tuple[int, int, bool]:
    """Return the top of the first echo that a learned shape fits, its arrival, and whether surely.

    ``seems`` is where the first echo seems to arrive and which top seems to open it; ``heights``
    are what another arrival in the gate must reach, and what its beginning must (codes). ``noise``
    is its standard deviation, or that of what lies between the echoes.
    """
    samples, reach = row.samples, row.reach
    clear, low = heights
    arrival, top = seems
    coarse = (COARSE_SAMPLES * 1.5 / reach) ** 2
    clutter = UNLIKE_NOISE * noise**2 * row.learned.shapes.shape[1]
    # Neighbouring samples of band-limited noise are alike: a third of the reach counts one.
    spread = (2.0 * UNSURE_SIGMAS * noise) ** 2 * (reach // 3)
    opened, place, sure = top, arrival, False
    for attempt in range(ARRIVALS):
        later = periods_later(row, opened)
        found, best, energy, alternative, turned = place_shape(row, opened, later)
        alike = best < LIKE_AT_ALL * energy
        if attempt == 0:
            sure = best <= (UNLIKE_SHARE + coarse) * energy + clutter
            sure &= alternative - best >= max((UNSURE_SHARE + coarse) * energy, spread)
            sure &= turned > best - TURNED_SHARE * energy
        if attempt == 0 or alike:
            top, arrival = found, place
            sure &= attempt == 0
        if alike:
            break
        place = arrival_after(row, opened + reach, clear, low)
        if place == row.stop:
            break
        opened = opening_top(row, place)
    ahead = foretelling(row, arrival, low)
    if ahead < arrival:
        opened = opening_top(row, ahead)
        found, best, energy, _, _ = place_shape(row, opened, LATER_PERIODS)
        weak = abs(samples[found]) < FORETOLD_PEAK * abs(samples[top])
        if best < FORETOLD_SHARE * energy and not weak:
            return found, ahead, False
    return top, arrival, sure
