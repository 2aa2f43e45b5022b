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
from ascan.timing.echo import half_cycles_between

FATAL_BITS = np.uint32(FATAL)
NO_ECHO = np.uint32(Flag.NO_ECHO)
AT_EDGE = np.uint32(Flag.AT_GATE_EDGE)
UNSURE = np.uint32(Flag.HALF_CYCLE_UNSURE)
EARLIER = np.uint32(Flag.EARLIER_ECHO)
AT_MOST = np.uint32(Flag.AT_MOST)

# A second echo up to 10 dB above the first leaves the first 0.32 of the largest, and noise takes of
# that: an arrival must reach this part of the largest signal in the gate.
LEAST_SHARE = 0.2
# ... and so many standard deviations of what lies ahead of it, grain included: less than one false
# arrival in 3000 among a hundred independent half-cycles. Half of the largest passes anyway.
CLEAR_OF_BACKGROUND = 5.0
MOST_SHARE = 0.5
# What stands ahead of a head: pulses that grow in two periods leave 0.02 of their own peak there
# (aperture integral), a head that is a later echo of a wall too thin to resolve 0.17 and more.
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
# What the timed half-cycle must reach of the echo's own peak. The half-cycles of one polarity that
# precede it reach 0.1 of it on usual pulses, itself 0.4 and more (aperture integral, 1 to 25 mm).
OPENING = 0.25
# Two candidates are not told apart where the energies that they leave differ by less than this part
# of the head's, or by less than noise makes of it at so many standard deviations.
UNSURE_SHARE, UNSURE_SIGMAS = 0.04, 2.0
FREEDOM = 1.5
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
        When each of them arrived: a head is compared with the one nearest in time.
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
def largest_size(samples: AnyArray, start: int, stop: int) -> int:
    """Return the index of the sample of largest size in start..stop."""
    best = start
    for j in range(start, stop):
        if abs(samples[j]) > abs(samples[best]):
            best = j
    return best


@compiled
def first_above(samples: AnyArray, lift: FloatArray, start: int, stop: int, height: float) -> int:
    """Return the first index at which the size reaches a height and its lift; ``stop`` if none."""
    for j in range(start, stop):
        size = abs(np.float64(samples[j]))
        if size >= height and (lift.size == 0 or size >= lift[j]):
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
def arrival_of(
    samples: AnyArray,
    lift: FloatArray,
    start: int,
    stop: int,
    floor: float,
    reach: int,
    room: FloatArray,
) -> tuple[int, float]:
    """Return where the first echo arrives in start..stop (``stop``: nowhere), and the background.

    The first sample that stands clear of the background; from there back to where the same echo
    first passes the lower level.
    """
    top = largest_size(samples, start, stop)
    largest = abs(np.float64(samples[top]))
    low = max(floor, LEAST_SHARE * largest)
    level = background(samples, start, max(top - reach, start), stop, reach // 3, room)
    clear = max(low, min(CLEAR_OF_BACKGROUND * level, MOST_SHARE * largest))
    place = first_above(samples, lift, start, stop, clear)
    if place == stop:
        return stop, level
    low = max(low, min(AT_LEAST_BACKGROUND * level, clear))
    return first_above(samples, lift, max(place - reach, start), stop, low), level


@compiled
def foretold(
    samples: AnyArray, train: FloatArray, start: int, arrival: int, reach: int, height: float
) -> bool:
    """Tell whether something ahead of an arrival may be the first echo and the arrival a later one.

    ``train``, shape (3, depths), holds where the first echo of walls, the second, and the
    mode-converted one are, in samples of the trace.
    """
    if train.shape[1] == 0:
        return False
    for j in range(start, arrival - reach):
        if abs(samples[j]) >= height:
            for later in range(1, train.shape[0]):
                follower = np.interp(np.float64(j), train[0], train[later])
                if abs(follower - arrival) <= reach:
                    return True
    return False


@compiled
def is_quiet(
    samples: AnyArray, lift: FloatArray, top: int, own: float, noise: float, reach: int
) -> bool:
    """Tell whether nothing stands ahead of a head: else it may be a thinner wall's later echo."""
    limit = max(QUIET_SHARE * own, QUIET_SIGMAS * noise)
    # From a little over two reaches before the top to just ahead of the head's own beginning.
    for j in range(max(top - (7 * reach) // 3, 0), top - (9 * reach) // 10):
        if abs(samples[j]) > limit and (lift.size == 0 or abs(samples[j]) >= lift[j]):
            return False
    return True


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
def own_peak(samples: AnyArray, arrival: int, stop: int, reach: int) -> int:
    """Return the largest sample of the echo that arrives at a place."""
    return largest_size(samples, arrival, min(arrival + reach + 1, stop))


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
        clear = lift.size == 0 or abs(value) >= lift[j]
        if counts and clear and abs(value) >= wanted:
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
    Flags: ``NO_ECHO``; ``AT_GATE_EDGE`` where the gate opens into a signal, or the record ends
    within the echo; ``HALF_CYCLE_UNSURE`` where the learned head lies a period off about as well;
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
        if heads_us.size > 0:
            clock = (clock_us[row], sample_us)
            own = abs(np.float64(samples[own_peak(samples, arrival, stop, reach)]))
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
            if rival - best < max(UNSURE_SHARE * energy, spread * spread * (reach // 3)):
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
        own = abs(np.float64(samples[own_peak(samples, top, stop, reach)]))
        if not is_quiet(samples, lift, top, own, max(noise[row], level), reach):
            flags[row] |= AT_MOST
        noted = max(floor[row], LEAST_SHARE * abs(samples[top]), NOTED * level)
        if foretold(samples, train, start, arrival, reach, noted):
            flags[row] |= EARLIER
        half_cycle[row] = half_cycles_between(samples, arrival, top)
        ahead = abs(samples[largest_size(samples, max(start - reach, 0), start + 1)])
        if (
            ahead >= max(floor[row], LEAST_SHARE * abs(samples[top]), CLEAR_OF_BACKGROUND * level)
            or top - reach < record[0][row]
            or top + reach >= record[1][row]
        ):
            flags[row] |= AT_EDGE
