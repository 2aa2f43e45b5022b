"""The head of the first echo: where a dual-element probe's wall is timed.

A dual-element probe sends no interface echo, and on thin walls a second echo as large as the first,
or larger. So the first arrival is sought, not the largest; and since which of its half-cycles is
the largest changes with the wall, the one that opens it is timed: the first of its polarity to
reach a good part of the echo's own peak. Nothing that follows reaches into it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ascan.base.flags import FATAL, Flag
from ascan.finding.arrival import (
    CLEAR_OF_BACKGROUND,
    LEAST_SHARE,
    NOTED,
    arrival_after,
    foretelling,
    is_quiet,
    largest_size,
    levels_of,
    own_peak,
)
from ascan.finding.echo import half_cycles_between
from ascan.finding.head_match import match_heads, next_top, opening_top
from ascan.finding.hidden_first import hidden_first
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray, IntArray, SignArray
from ascan.kernels.jit import compiled

FATAL_BITS = np.uint32(FATAL)
NO_ECHO = np.uint32(Flag.NO_ECHO)
AT_EDGE = np.uint32(Flag.AT_GATE_EDGE)
UNSURE = np.uint32(Flag.HALF_CYCLE_UNSURE)
EARLIER = np.uint32(Flag.EARLIER_ECHO)
AT_MOST = np.uint32(Flag.AT_MOST)


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
    least_share : float
        What an arrival must reach of the largest signal in the gate.
    """

    train_us: FloatArray = field(default_factory=_nothing)
    cross_talk: FloatArray = field(default_factory=_nothing)
    heads: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    heads_us: FloatArray = field(default_factory=lambda: np.zeros(0))
    before: int = 0
    polarity: int = 0
    least_share: float = LEAST_SHARE

    def arrays(self) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, int, float]:
        """Return what `find_heads` takes."""
        learned = (self.heads, self.heads_us, self.before)
        return self.train_us, self.cross_talk, *learned, self.least_share


@compiled
def find_heads(
    trace: AnyArray,
    first: IntArray,
    last: IntArray,
    noise: FloatArray,
    floor: FloatArray,
    clock_us: FloatArray,
    sample_us: float,
    guide: tuple[FloatArray, FloatArray, FloatArray, FloatArray, int, float],
    counts: SignArray,
    reach: int,
    shift: int,
    record: tuple[IntArray, IntArray],
    begin: IntArray,
    peak: IntArray,
    sign: SignArray,
    half_cycle: IntArray,
    hidden_lead: FloatArray,
    hidden_share: FloatArray,
    flags: FlagArray,
) -> None:
    """Write the top of the half-cycle that opens the first echo in each row's gate.

    Parameters
    ----------
    trace : ndarray, shape (n, width)
        Conditioned samples, in codes from zero.
    first, last : ndarray, shape (n,)
        The gate within the trace; empty where ``last <= first``.
    noise : ndarray, shape (n,)
        Standard deviation of the noise, in codes.
    floor : ndarray, shape (n,)
        What an echo must reach at least, in codes.
    clock_us : ndarray, shape (n,)
        Time of the trace's first sample.
    sample_us : float
    guide : tuple
        What `HeadGuide.arrays` gives: the train, the cross-talk, the learned heads, the share.
    counts : ndarray, shape (n,), int8
        +1, -1, or 0 for any half-cycle.
    reach : int
        One and a half periods, in samples.
    shift : int
        Take the half-cycle so many later (earlier, if negative) than the one that opens the echo.
    half_cycle : ndarray, shape (n,)
        Written: how many half-cycles the timed one comes after the first that reached the level.
    hidden_lead, hidden_share : ndarray, shape (n,)
        Written: how many samples ahead the first echo would stand if this were a later one, and the
        size of what stands there over its own; NaN where no head is learned.

    Notes
    -----
    Flags: ``NO_ECHO``; ``AT_GATE_EDGE`` where the gate opens into a signal or cuts the echo's own
    peak, or the record ends within the echo; ``HALF_CYCLE_UNSURE`` where the learned head lies a
    period off about as well, or nowhere;
    ``EARLIER_ECHO`` where a weak signal ahead of the echo foretells it as a later one; ``AT_MOST``
    where something stands right ahead of the head.
    """
    train_us, cross_talk, heads, heads_us, before, least_share = guide
    width = trace.shape[1]
    room = np.empty(width)
    lift = np.empty(width if cross_talk.shape[1] > 0 else 0)
    for row in range(peak.size):
        begin[row] = first[row]
        peak[row], sign[row], half_cycle[row] = -1, 0, 0
        hidden_lead[row], hidden_share[row] = np.nan, np.nan
        start, stop = first[row], last[row]
        if stop <= start:
            if not flags[row] & FATAL_BITS:
                flags[row] |= NO_ECHO
            continue
        samples = trace[row]
        for j in range(lift.size):
            lift[j] = np.interp(clock_us[row] + j * sample_us, cross_talk[0], cross_talk[1])
        train = (train_us - clock_us[row]) / sample_us
        clear, low, level = levels_of(samples, start, stop, floor[row], least_share, reach, room)
        arrival = arrival_after(samples, lift, start, stop, clear, low, reach)
        if arrival == stop:
            flags[row] |= NO_ECHO
            continue
        top = opening_top(samples, lift, arrival, stop, reach, counts[row])
        learned, clock = (heads, heads_us, before), (clock_us[row], sample_us)
        if heads_us.size > 0:
            top, arrival, sure = match_heads(
                samples,
                lift,
                train,
                learned,
                clock,
                (start, stop),
                (arrival, top),
                (clear, low),
                max(noise[row], level),
                counts[row],
                reach,
            )
            if not sure:
                flags[row] |= UNSURE
        own = abs(np.float64(samples[own_peak(samples, top, stop, reach)]))
        for _ in range(abs(shift)):
            moved = next_top(samples, top, 1 if shift > 0 else -1, stop) if top >= 0 else -1
            top = moved
        if top < start or top >= stop:
            flags[row] |= NO_ECHO
            continue
        peak[row] = top
        sign[row] = np.int8(1) if samples[top] >= 0.0 else np.int8(-1)
        begin[row] = max(start, top - reach)
        size = abs(np.float64(samples[own_peak(samples, top, stop, reach)]))
        if not is_quiet(samples, lift, top, size, max(noise[row], level), reach):
            flags[row] |= AT_MOST
        if heads_us.size > 0:
            hidden_share[row], hidden_lead[row], stands_out = hidden_first(
                samples, lift, train, learned, clock, start, top, reach, room
            )
        else:
            noted = max(floor[row], LEAST_SHARE * abs(samples[top]), NOTED * level)
            stands_out = foretelling(samples, lift, train, start, arrival, reach, noted) < arrival
        if stands_out:
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
