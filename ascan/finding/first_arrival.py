"""The first arrival: where a dual-element probe's wall is timed.

A dual-element probe sends no interface echo, and on thin walls a second echo as large as the first,
or larger. So the first arrival is sought, not the largest; and since which of its half-cycles is
the largest changes with the wall, the one that opens it is timed: the first of its polarity to
reach a good part of the echo's peak. Nothing that follows reaches into it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from ascan.base.flags import FATAL, Flag
from ascan.finding.arrival import (
    CLEAR_OF_BACKGROUND,
    LEAST_SHARE,
    NOTED,
    arrival_after,
    echo_peak,
    foretelling,
    is_quiet,
    largest_size,
    levels_of,
)
from ascan.finding.arrival_match import match_shapes, next_top, opening_top
from ascan.finding.echo import half_cycles_between
from ascan.finding.masked_first import masked_first
from ascan.finding.rows import Found, Learned, Masked, Row, Trace
from ascan.kernels.arrays import FlagArray, FloatArray
from ascan.kernels.jit import compiled

FATAL_BITS = np.uint32(FATAL)
NO_ECHO = np.uint32(Flag.NO_ECHO)
AT_EDGE = np.uint32(Flag.AT_GATE_EDGE)
UNSURE = np.uint32(Flag.CYCLE_UNCERTAIN)
EARLIER = np.uint32(Flag.MULTIPLE_SUSPECTED)
UPPER_BOUND = np.uint32(Flag.UPPER_BOUND)


class Guide(NamedTuple):
    """What `find_first_arrivals` is guided by: see `ArrivalGuide`."""

    train_us: FloatArray
    cross_talk: FloatArray
    learned: Learned
    least_share: float


class Sought(NamedTuple):
    """What a first arrival must be.

    Attributes
    ----------
    floor : ndarray, shape (n,)
        What it must reach at least, in codes.
    clock_us : ndarray, shape (n,)
        Time of each trace's first sample.
    sample_us : float
    reach : int
        One and a half periods, in samples.
    cycle_shift : int
        Take the half-cycle so many later (earlier, if negative) than the one that opens the echo.
    """

    floor: FloatArray
    clock_us: FloatArray
    sample_us: float
    reach: int
    cycle_shift: int


def _nothing() -> FloatArray:
    return np.zeros((3, 0))


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class ArrivalGuide:
    """What is known of first arrivals to come; all of it may be absent before a calibration.

    Attributes
    ----------
    train_us : ndarray, shape (3, depths)
        When the first echo of walls of growing thickness, the second, and the mode-converted one
        arrive.
    cross_talk : ndarray, shape (2, times)
        Times in µs, and what an arrival there must exceed, in codes.
    shapes : ndarray, shape (steps, samples)
        Learned first arrivals, at the recording's sample rate.
    arrival_us : ndarray, shape (steps,)
        When each of them arrived: an echo is compared with the two next to it in time.
    zero_index : int
        Index of the timed half-cycle's top in them.
    polarity : int
        Of the timed half-cycle: +1, −1, or 0 where it is not known.
    least_share : float
        What an arrival must reach of the largest signal in the gate.
    """

    train_us: FloatArray = field(default_factory=_nothing)
    cross_talk: FloatArray = field(default_factory=_nothing)
    shapes: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    arrival_us: FloatArray = field(default_factory=lambda: np.zeros(0))
    zero_index: int = 0
    polarity: int = 0
    least_share: float = LEAST_SHARE

    @property
    def learned(self) -> Learned:
        """What the steps' first arrivals look like."""
        return Learned(self.shapes, self.arrival_us, self.zero_index)

    def arrays(self) -> Guide:
        """Return what `find_first_arrivals` takes."""
        return Guide(self.train_us, self.cross_talk, self.learned, self.least_share)


@compiled
def find_first_arrivals(
    trace: Trace, sought: Sought, guide: Guide, found: Found, masked: Masked, flags: FlagArray
) -> None:
    """Write the top of the half-cycle that opens the first echo in each row's gate.

    ``found.half_cycle`` is how many half-cycles the timed one comes after the first that reached
    the level; ``masked`` says what may stand ahead if the echo found is a later one.

    Notes
    -----
    Flags: ``NO_ECHO``; ``AT_GATE_EDGE`` where the gate opens into a signal or cuts the echo's own
    peak, or the record ends within the echo; ``CYCLE_UNCERTAIN`` where the learned shape lies a
    period off about as well, or nowhere; ``MULTIPLE_SUSPECTED`` where a weak signal ahead of the
    echo foretells it as a later one; ``UPPER_BOUND`` where something stands right ahead of it.
    """
    width, reach = trace.samples.shape[1], sought.reach
    room = np.empty(width)
    lift = np.empty(width if guide.cross_talk.shape[1] > 0 else 0)
    for row in range(found.peak.size):
        found.begin[row] = trace.first[row]
        found.peak[row], found.sign[row], found.half_cycle[row] = -1, 0, 0
        masked.lead[row], masked.share[row] = np.nan, np.nan
        start, stop = trace.first[row], trace.last[row]
        if stop <= start:
            if not flags[row] & FATAL_BITS:
                flags[row] |= NO_ECHO
            continue
        samples, clock_us = trace.samples[row], sought.clock_us[row]
        for j in range(lift.size):
            at_us = clock_us + j * sought.sample_us
            lift[j] = np.interp(at_us, guide.cross_talk[0], guide.cross_talk[1])
        train = (guide.train_us - clock_us) / sought.sample_us
        here = Row(
            samples, lift, train, guide.learned, clock_us, sought.sample_us, start, stop, reach,
            trace.counts[row],
        )  # fmt: skip
        clear, low, level = levels_of(here, sought.floor[row], guide.least_share, room)
        arrival = arrival_after(here, start, clear, low)
        if arrival == stop:
            flags[row] |= NO_ECHO
            continue
        top = opening_top(here, arrival)
        noise = max(trace.noise[row], level)
        if guide.learned.arrival_us.size > 0:
            top, arrival, sure = match_shapes(here, (arrival, top), (clear, low), noise)
            if not sure:
                flags[row] |= UNSURE
        own = abs(np.float64(samples[echo_peak(samples, top, stop, reach)]))
        for _ in range(abs(sought.cycle_shift)):
            way = 1 if sought.cycle_shift > 0 else -1
            moved = next_top(samples, top, way, stop) if top >= 0 else -1
            top = moved
        if top < start or top >= stop:
            flags[row] |= NO_ECHO
            continue
        found.peak[row] = top
        found.sign[row] = np.int8(1) if samples[top] >= 0.0 else np.int8(-1)
        found.begin[row] = max(start, top - reach)
        size = abs(np.float64(samples[echo_peak(samples, top, stop, reach)]))
        if not is_quiet(here, top, size, noise):
            flags[row] |= UPPER_BOUND
        if guide.learned.arrival_us.size > 0:
            masked.share[row], masked.lead[row], stands_out = masked_first(here, top, room)
        else:
            noted = max(sought.floor[row], LEAST_SHARE * abs(samples[top]), NOTED * level)
            stands_out = foretelling(here, arrival, noted) < arrival
        if stands_out:
            flags[row] |= EARLIER
        found.half_cycle[row] = half_cycles_between(samples, arrival, top)
        beyond = 0.0
        if arrival + reach + 1 > stop and stop < samples.size:
            end = min(arrival + reach + 1, samples.size)
            beyond = abs(np.float64(samples[largest_size(samples, stop, end)]))
        ahead = abs(samples[largest_size(samples, max(start - reach, 0), start + 1)])
        opens = max(sought.floor[row], LEAST_SHARE * abs(samples[top]), CLEAR_OF_BACKGROUND * level)
        if (
            ahead >= opens
            or beyond > own
            or top - reach < trace.record_begin[row]
            or top + reach >= trace.record_end[row]
        ):
            flags[row] |= AT_EDGE
