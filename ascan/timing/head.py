"""The head of the first echo: where a dual-element probe's wall is timed.

A dual-element probe sends no interface echo, and on thin walls a second echo as large as the first,
or larger. So the first arrival is sought, not the largest; and since which of its half-cycles is
the largest changes with the wall, the one that opens it is timed: the first of its polarity to
reach a good part of the echo's own peak. Nothing that follows reaches into it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ascan.arrays import AnyArray, FlagArray, FloatArray, IntArray, SignArray
from ascan.flags import FATAL, Flag
from ascan.kernels.jit import compiled
from ascan.timing.arrival import (
    CLEAR_OF_BACKGROUND,
    LEAST_SHARE,
    NOTED,
    WIDE_BAND,
    arrival_of,
    clears,
    foretold,
    is_quiet,
    largest_size,
    own_peak,
)
from ascan.timing.echo import half_cycles_between

FATAL_BITS = np.uint32(FATAL)
NO_ECHO = np.uint32(Flag.NO_ECHO)
AT_EDGE = np.uint32(Flag.AT_GATE_EDGE)
UNSURE = np.uint32(Flag.HALF_CYCLE_UNSURE)
EARLIER = np.uint32(Flag.EARLIER_ECHO)
AT_MOST = np.uint32(Flag.AT_MOST)

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
UNLIKE_SHARE, UNLIKE_NOISE = 0.35, 3.0
# Half-cycles so many periods before and after the one that seems to open an echo are looked at: a
# weak beginning hides further than a strong one.
EARLIER_PERIODS, LATER_PERIODS = 2, 1


def _nothing() -> FloatArray:
    return np.zeros((3, 0))


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class HeadGuide:
    """What is known of the heads to come; all of it may be absent before a calibration.

    Attributes
    ----------
    train_us : ndarray, shape (3, depths)
        When the first echo of walls of growing thickness, the second, and the mode-converted one
        arrive.
    cross_talk : ndarray, shape (2, times)
        Times in µs, and what an arrival there must exceed, in codes.
    heads : ndarray, shape (steps, samples)
        Learned heads of echoes, at the recording's sample rate.
    heads_us : ndarray, shape (steps,)
        When each of them arrived: a head is compared with the two next to it in time.
    before : int
        Index of the timed half-cycle's top in them.
    polarity : int
        Of the timed half-cycle: +1, −1, or 0 where it is not known.
    """

    train_us: FloatArray = field(default_factory=_nothing)
    cross_talk: FloatArray = field(default_factory=_nothing)
    heads: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    heads_us: FloatArray = field(default_factory=lambda: np.zeros(0))
    before: int = 0
    polarity: int = 0

    def arrays(self) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, int]:
        """Return what `find_heads` takes."""
        return self.train_us, self.cross_talk, self.heads, self.heads_us, self.before


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
    own: float,
    learned: tuple[FloatArray, FloatArray, int],
    clock: tuple[float, float],
) -> tuple[float, float]:
    """Return the energy that learned heads leave of a trace, laid on ``top``, and the head's own.

    Of the heads of the two steps next in time and the one between them, the best. Their size is
    what the echo's own peak asks, give or take ``FREEDOM``: the front of an echo grows so evenly
    that with its size free a cycle more or less would fit about as well. ``clock`` is the time of
    the trace's first sample, and of one sample.
    """
    heads, heads_us, before = learned
    start = top - before
    if start < 0 or start + heads.shape[1] > samples.size:
        return np.inf, 1.0
    part = samples[start : start + heads.shape[1]]
    place = int(np.searchsorted(heads_us, clock[0] + clock[1] * top))
    left, right = max(place - 1, 0), min(place, heads_us.size - 1)
    least, own_energy = np.inf, 1.0
    for share in (0.0, 0.5, 1.0):
        product, power, energy = 0.0, 0.0, 0.0
        for j in range(part.size):
            wanted = (1.0 - share) * heads[left, j] + share * heads[right, j]
            value = np.float64(part[j])
            product += wanted * value
            power += wanted * wanted
            energy += value * value
        size = min(max(product / power, own / FREEDOM), own * FREEDOM)
        unexplained = energy - 2.0 * size * product + size * size * power
        if unexplained < least:
            least, own_energy = unexplained, size * size * power
    return least, own_energy


@compiled
def find_heads(
    trace: AnyArray,
    first: IntArray,
    last: IntArray,
    noise: FloatArray,
    noise_slope: FloatArray,
    floor: FloatArray,
    clock_us: FloatArray,
    sample_us: float,
    guide: tuple[FloatArray, FloatArray, FloatArray, FloatArray, int],
    counts: SignArray,
    reach: int,
    shift: int,
    record: tuple[IntArray, IntArray],
    begin: IntArray,
    peak: IntArray,
    sign: SignArray,
    half_cycle: IntArray,
    flags: FlagArray,
) -> None:
    """Write the top of the half-cycle that opens the first echo in each row's gate.

    Parameters
    ----------
    trace : ndarray, shape (n, width)
        Conditioned samples, in codes from zero.
    first, last : ndarray, shape (n,)
        The gate within the trace; empty where ``last <= first``.
    noise, noise_slope : ndarray, shape (n,)
        Standard deviations of the noise (codes) and of its slope (codes per sample). What lies
        between the echoes beyond it (grain) is added to them: it moves a time alike.
    floor : ndarray, shape (n,)
        What an echo must reach at least, in codes.
    clock_us : ndarray, shape (n,)
        Time of the trace's first sample.
    sample_us : float
    guide : tuple
        What `HeadGuide.arrays` gives: the train, the cross-talk, the learned heads.
    counts : ndarray, shape (n,), int8
        +1, -1, or 0 for any half-cycle.
    reach : int
        One and a half periods, in samples.
    shift : int
        Take the half-cycle so many later (earlier, if negative) than the one that opens the echo.
    half_cycle : ndarray, shape (n,)
        Written: how many half-cycles the timed one comes after the first that reached the level.

    Notes
    -----
    Flags: ``NO_ECHO``; ``AT_GATE_EDGE`` where the gate opens into a signal or cuts the echo's own
    peak, or the record ends within the echo; ``HALF_CYCLE_UNSURE`` where the learned head lies a
    period off about as well, or nowhere;
    ``EARLIER_ECHO`` where a weak signal ahead of the echo foretells it as its second; ``AT_MOST``
    where something stands right ahead of the head.
    """
    train_us, cross_talk, heads, heads_us, before = guide
    width = trace.shape[1]
    room = np.empty(width)
    lift = np.empty(width if cross_talk.shape[1] > 0 else 0)
    for row in range(peak.size):
        begin[row] = first[row]
        peak[row], sign[row], half_cycle[row] = -1, 0, 0
        start, stop = first[row], last[row]
        if stop <= start:
            if not flags[row] & FATAL_BITS:
                flags[row] |= NO_ECHO
            continue
        samples = trace[row]
        for j in range(lift.size):
            lift[j] = np.interp(clock_us[row] + j * sample_us, cross_talk[0], cross_talk[1])
        train = (train_us - clock_us[row]) / sample_us
        arrival, level = arrival_of(samples, lift, start, stop, floor[row], reach, room)
        if arrival == stop:
            flags[row] |= NO_ECHO
            continue
        top = opening_top(samples, lift, arrival, stop, reach, counts[row])
        own = abs(np.float64(samples[own_peak(samples, arrival, stop, reach)]))
        if heads_us.size > 0:
            clock = (clock_us[row], sample_us)
            learned = (heads, heads_us, before)
            best, energy = left_by_heads(samples, top, own, learned, clock)
            rival, opened = np.inf, top
            for way in (-1, 1):
                # A whole period at a time, the polarity being known.
                beside = opened
                for _ in range(LATER_PERIODS if way > 0 else EARLIER_PERIODS):
                    beside = next_top(samples, beside, way, stop)
                    beside = next_top(samples, beside, way, stop) if beside >= 0 else -1
                    if beside < 0:
                        break
                    left, its_own = left_by_heads(samples, beside, own, learned, clock)
                    # Each against its own head's energy: heads of thin walls are longer.
                    if left / its_own < best / energy:
                        rival, best, energy, top = best / energy * its_own, left, its_own, beside
                    else:
                        rival = min(rival, left / its_own * energy)
            # Neighbouring samples of band-limited noise are alike: a third of the reach counts one.
            spread = 2.0 * UNSURE_SIGMAS * max(noise[row], level)
            # Heads are laid on whole samples: half a sample is π / samples a period of phase.
            coarse = (COARSE_SAMPLES * 1.5 / reach) ** 2
            spread = spread * spread * (reach // 3)
            unlike = UNLIKE_SHARE * energy + UNLIKE_NOISE * noise[row] ** 2 * heads.shape[1]
            if rival - best < max((UNSURE_SHARE + coarse) * energy, spread) or best > unlike:
                flags[row] |= UNSURE
        for _ in range(abs(shift)):
            moved = next_top(samples, top, 1 if shift > 0 else -1, stop) if top >= 0 else -1
            top = moved
        if top < start or top >= stop:
            flags[row] |= NO_ECHO
            continue
        grain = np.sqrt(max(level**2 - (WIDE_BAND * noise[row]) ** 2, 0.0))
        noise[row] = np.hypot(noise[row], grain)
        # Grain swings as the pulse does: a reach is one and a half of its periods.
        noise_slope[row] = np.hypot(noise_slope[row], grain * 2.0 * np.pi * 1.5 / reach)
        peak[row] = top
        sign[row] = np.int8(1) if samples[top] >= 0.0 else np.int8(-1)
        begin[row] = max(start, top - reach)
        size = abs(np.float64(samples[own_peak(samples, top, stop, reach)]))
        if not is_quiet(samples, lift, top, size, max(noise[row], level), reach):
            flags[row] |= AT_MOST
        noted = max(floor[row], LEAST_SHARE * abs(samples[top]), NOTED * level)
        if foretold(samples, lift, train, start, arrival, reach, noted):
            flags[row] |= EARLIER
        half_cycle[row] = half_cycles_between(samples, arrival, top)
        beyond = 0.0
        if arrival + reach + 1 > stop and stop < samples.size:
            end = min(arrival + reach + 1, samples.size)
            beyond = abs(np.float64(samples[largest_size(samples, stop, end)]))
        ahead = abs(samples[largest_size(samples, max(start - reach, 0), start + 1)])
        if (
            ahead >= max(floor[row], LEAST_SHARE * abs(samples[top]), CLEAR_OF_BACKGROUND * level)
            or beyond > own
            or top - reach < record[0][row]
            or top + reach >= record[1][row]
        ):
            flags[row] |= AT_EDGE
