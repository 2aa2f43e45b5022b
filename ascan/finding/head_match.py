"""Which half-cycle opens an echo, and where the learned head of an echo lies best on a trace."""

from __future__ import annotations

import numpy as np

from ascan.finding.arrival import arrival_after, clears, foretelling, own_peak
from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.kernels.jit import compiled

# What the timed half-cycle must reach of the echo's own peak. The half-cycles of one polarity that
# precede it reach 0.1 of it on usual pulses, itself 0.4 and more (aperture integral, 1 to 25 mm).
OPENING = 0.25
# Two candidates are not told apart where the energies that they leave differ by less than this part
# of the head's, or by less than noise makes of it at so many standard deviations.
UNSURE_SHARE, UNSURE_SIGMAS = 0.04, 2.0
# A head may be so many times larger or smaller than the echo's own peak asks.
FREEDOM = 1.5
# Heads are laid on whole samples; below some eight samples a period that costs this share and more.
COARSE_SAMPLES = 2.5
# A head of which this part and what noise adds is left unexplained is not the learned one: the echo
# is inverted, clipped or another's. Between coarse steps a tenth is left.
UNLIKE_SHARE, UNLIKE_NOISE = 0.3, 3.0
# An arrival that leaves more is passed over where a later one leaves less.
LIKE_AT_ALL = 0.4
# What foretells the arrival as its later echo is taken itself where so little is left of it, and
# where it is no smaller than this part: a second echo is up to 10 dB above the first.
FORETOLD_SHARE, FORETOLD_PEAK = 0.15, 0.3
# A place whose own peak is smaller than this part of the one first found is not the same echo's.
LEAST_OF_PEAK = 0.5
# A head turned over may fit so much better where walls are thin and heads short.
TURNED_SHARE = 0.04
# Half-cycles so many periods before and after the one that seems to open an echo are looked at: a
# weak beginning hides further than a strong one, grain may stand ahead where there is room.
EARLIER_PERIODS, LATER_PERIODS, MOST_LATER_PERIODS = 2, 1, 3
# An arrival that no learned head fits may be grain: so many are looked at, the first one included.
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
def opening_top(
    samples: AnyArray, lift: FloatArray, arrival: int, stop: int, reach: int, count: int
) -> int:
    """Return the top of the half-cycle that opens an echo: the first to reach 0.25 of its own peak.

    The own peak is the largest sample within ``reach`` of the arrival.
    """
    end = min(arrival + reach + 1, stop)
    own = own_peak(samples, arrival, stop, reach)
    wanted = OPENING * abs(samples[own])
    for j in range(max(arrival - reach, 1), end):
        value = samples[j]
        counts = value * count > 0.0 if count != 0 else True
        if counts and abs(value) >= wanted and clears(samples, lift, j):
            while j + 1 < stop and abs(samples[j + 1]) > abs(samples[j]):
                j += 1
            return j
    return own


@compiled
def left_by_heads(
    samples: AnyArray,
    top: int,
    way: int,
    learned: tuple[FloatArray, FloatArray, int],
    clock: tuple[float, float],
    reach: int,
) -> tuple[float, float]:
    """Return the energy that learned heads leave of a trace, laid on ``top``, and the head's own.

    Of the heads of the two steps next in time and the one between them, the best. Their size is
    what the own peak after ``top`` asks, give or take ``FREEDOM``: the front of an echo grows so
    evenly that with its size free a cycle more or less would fit about as well. ``way`` −1 turns
    them over. ``clock`` is the time of the trace's first sample, and of one sample.
    """
    heads, heads_us, before = learned
    start = top - before
    if start < 0 or start + heads.shape[1] > samples.size:
        return np.inf, 1.0
    own = abs(np.float64(samples[own_peak(samples, top, samples.size, reach)]))
    part = samples[start : start + heads.shape[1]]
    place = int(np.searchsorted(heads_us, clock[0] + clock[1] * top))
    left, right = max(place - 1, 0), min(place, heads_us.size - 1)
    least, own_energy = np.inf, 1.0
    for share in (0.0, 0.5, 1.0):
        product, power, energy = 0.0, 0.0, 0.0
        for j in range(part.size):
            wanted = (1.0 - share) * heads[left, j] + share * heads[right, j]
            if np.isnan(wanted):
                break
            value = np.float64(part[j]) * way
            product += wanted * value
            power += wanted * wanted
            energy += value * value
        size = min(max(product / power, own / FREEDOM), own * FREEDOM)
        unexplained = energy - 2.0 * size * product + size * size * power
        # Each against its own energy: heads of thin walls are longer drawn.
        if unexplained * own_energy < least * size * size * power or least == np.inf:
            least, own_energy = unexplained, size * size * power
    return least, own_energy


@compiled
def place_head(
    samples: AnyArray,
    opened: int,
    learned: tuple[FloatArray, FloatArray, int],
    clock: tuple[float, float],
    reach: int,
    later: int,
    stop: int,
) -> tuple[int, float, float, float, float]:
    """Return the top on which a learned head fits best, near the one that seems to open an echo.

    Tops whole periods before and up to ``later`` periods after it are tried, the polarity being
    known. Returned besides: the energy that the head leaves there, its own, what the next best
    place leaves, and what the head turned over leaves in between (all for a head of that energy).
    """
    top = opened
    least_peak = LEAST_OF_PEAK * abs(np.float64(samples[own_peak(samples, opened, stop, reach)]))
    left, energy = left_by_heads(samples, opened, 1, learned, clock, reach)
    best, rival, turned = left / energy, np.inf, np.inf
    for step in (-1, 1):
        beside = opened
        for half in range(2 * (later if step > 0 else EARLIER_PERIODS)):
            beside = next_top(samples, beside, step, stop)
            if beside < 0:
                break
            if abs(np.float64(samples[own_peak(samples, beside, stop, reach)])) < least_peak:
                continue
            way = 1 if half % 2 == 1 else -1
            left, own = left_by_heads(samples, beside, way, learned, clock, reach)
            share = left / own
            if way < 0:
                turned = min(turned, share)
            elif share < best:
                rival, best, energy, top = best, share, own, beside
            else:
                rival = min(rival, share)
    return top, best * energy, energy, rival * energy, turned * energy


@compiled
def periods_later(train: FloatArray, top: int, reach: int) -> int:
    """Return how many periods after a top its echo may still open: well ahead of later ones."""
    if train.shape[1] == 0:
        return LATER_PERIODS
    apart = np.inf
    for later in range(1, train.shape[0]):
        apart = min(apart, np.interp(np.float64(top), train[0], train[later]) - top)
    return int(min(max(1.5 * apart / reach - 1.0, LATER_PERIODS), MOST_LATER_PERIODS))


@compiled
def match_heads(
    samples: AnyArray,
    lift: FloatArray,
    train: FloatArray,
    learned: tuple[FloatArray, FloatArray, int],
    clock: tuple[float, float],
    gate: tuple[int, int],
    seems: tuple[int, int],
    heights: tuple[float, float],
    noise: float,
    count: int,
    reach: int,
) -> tuple[int, int, bool]:
    """Return the top of the first echo that a learned head fits, its arrival, and whether for sure.

    ``seems`` is where the first echo seems to arrive and which top seems to open it; ``heights``
    are what another arrival in the ``gate`` must reach, and what its beginning must (codes).
    ``noise`` is its standard deviation, or that of what lies between the echoes.
    """
    (start, stop), (clear, low) = gate, heights
    arrival, top = seems
    coarse = (COARSE_SAMPLES * 1.5 / reach) ** 2
    clutter = UNLIKE_NOISE * noise**2 * learned[0].shape[1]
    # Neighbouring samples of band-limited noise are alike: a third of the reach counts one.
    spread = (2.0 * UNSURE_SIGMAS * noise) ** 2 * (reach // 3)
    opened, place, sure = top, arrival, False
    for attempt in range(ARRIVALS):
        later = periods_later(train, opened, reach)
        found, best, energy, rival, turned = place_head(
            samples, opened, learned, clock, reach, later, stop
        )
        alike = best < LIKE_AT_ALL * energy
        if attempt == 0:
            sure = best <= (UNLIKE_SHARE + coarse) * energy + clutter
            sure &= rival - best >= max((UNSURE_SHARE + coarse) * energy, spread)
            sure &= turned > best - TURNED_SHARE * energy
        if attempt == 0 or alike:
            top, arrival = found, place
            sure &= attempt == 0
        if alike:
            break
        place = arrival_after(samples, lift, opened + reach, stop, clear, low, reach)
        if place == stop:
            break
        opened = opening_top(samples, lift, place, stop, reach, count)
    ahead = foretelling(samples, lift, train, start, arrival, reach, low)
    if ahead < arrival:
        opened = opening_top(samples, lift, ahead, stop, reach, count)
        found, best, energy, _, _ = place_head(
            samples, opened, learned, clock, reach, LATER_PERIODS, stop
        )
        weak = abs(samples[found]) < FORETOLD_PEAK * abs(samples[top])
        if best < FORETOLD_SHARE * energy and not weak:
            return found, ahead, False
    return top, arrival, sure
