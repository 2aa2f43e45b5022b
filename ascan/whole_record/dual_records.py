"""Each record of a dual-element probe: the wall that explains it best, and the evidence for it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.base.flags import FATAL, Flag
from ascan.checks.record_residual import MOST_LEFT, MOST_LEFT_FREED, OF_USUAL
from ascan.kernels.arrays import BoolArray, FlagArray, FloatArray
from ascan.kernels.jit import compiled
from ascan.kernels.sums import dot
from ascan.whole_record.columns import WAVES, Work, against, lay_waves, take_off
from ascan.whole_record.dual_fit import (
    LONGEST,
    NOT_FREED,
    Aim,
    Freed,
    Laid,
    Wall,
    fit_delayed,
    fit_wall,
    late_by,
    time_of,
)
from ascan.whole_record.layered_candidates import CANDIDATES, HOPELESS
from ascan.whole_record.layered_evidence import related_noise
from ascan.whole_record.layered_records import LEAST_GAIN
from ascan.whole_record.window import Records, Window, drop_spikes, load_window

FATAL_BITS = np.uint32(FATAL)
NO_ECHO = np.uint32(Flag.NO_ECHO)
OUTSIDE = np.uint32(Flag.GATE_OUTSIDE_RECORD)
# The window begins so many periods before the first echo's pulse: the quiet before it counts.
QUIET_PERIODS = 2.0
# An arrival is taken in that begins so many periods before the window's end.
WHOLE_PERIODS = 2.5
# So many delays are begun from, `LONGEST` apart, until one leaves no more than noise; they reach
# over a period, for a delay of one looks like a thicker wall.
DELAYS = 6

# A model that left so much of the steps does not hold for the probe well enough to move a reading
# off its first arrival.
POOR = 0.03


class Residuals(NamedTuple):
    """What the fit left of the steps' own records, over the first echo's height; shape (steps,)."""

    steps_mm: FloatArray
    left: FloatArray


class Starts(NamedTuple):
    """Where each record's fit begins, shape (n,).

    Attributes
    ----------
    mm : ndarray
        Thickness by the first arrival (NaN: none).
    sure : ndarray of bool
        Whether that says which half-cycle it is. Where the model is known not to hold for the probe
        (`Residuals`), what it leaves is no noise, and the first arrival decides.
    zero : ndarray
        When the pulse leaves, in samples of the record.
    noise : ndarray
        Standard deviation of the record's noise, in codes.
    """

    mm: FloatArray
    sure: BoolArray
    zero: FloatArray
    noise: FloatArray


class Evidence(NamedTuple):
    """What each fit says of itself, shape (n,); NaN where it did not come so far.

    Attributes
    ----------
    mm, u_mm : ndarray
        Thickness and its standard uncertainty.
    left : ndarray
        Standard deviation of what is left, in codes.
    alternative_mm, odds : ndarray
        Thickness of the likeliest other one, and twice the log odds against it.
    late_mm, u_late_mm : ndarray
        By how much the second echo comes late, in mm of wall, and its standard uncertainty.
    freed_mm, u_freed_mm : ndarray
        Thickness if something delays all echoes alike, and its standard uncertainty.
    freed_left, delay : ndarray
        What that leaves, in codes, and by how many samples it delays them.
    second : ndarray
        The second echo over the first, each against what the operator makes of it.
    height, top : ndarray
        Of the first echo, in codes; largest half-cycle of its shape.
    usual_left : ndarray
        What the fit left of the steps beside it.
    astray : ndarray
        By how many periods it lies off the first arrival, where that decides.
    """

    mm: FloatArray
    u_mm: FloatArray
    left: FloatArray
    alternative_mm: FloatArray
    odds: FloatArray
    late_mm: FloatArray
    u_late_mm: FloatArray
    freed_mm: FloatArray
    u_freed_mm: FloatArray
    freed_left: FloatArray
    delay: FloatArray
    second: FloatArray
    height: FloatArray
    top: FloatArray
    usual_left: FloatArray
    astray: FloatArray


class Framed(NamedTuple):
    """Where a record is looked at: first sample, samples (0: nowhere), and arrivals in it."""

    begin: int
    wide: int
    arrivals: int


class Begun(NamedTuple):
    """Where a fit begins.

    Attributes
    ----------
    mm : float
        Thickness by the first arrival.
    zero : float
        When the pulse left, in samples of the window.
    arrivals : int
        In it.
    per_sample : float
        mm of wall that a sample is.
    usual_left : float
        What the fit left of the steps beside it.
    decides : bool
        Whether the first arrival decides which half-cycle it is.
    """

    mm: float
    zero: float
    arrivals: int
    per_sample: float
    usual_left: float
    decides: bool


class Best(NamedTuple):
    """The thickness that leaves least of the energy, and the likeliest other one."""

    left: float
    mm: float
    alternative_left: float
    alternative_mm: float


@compiled
def left_beside(depth_mm: float, usual: Residuals) -> float:
    """Return the more of what the fit left of the two steps that a wall lies between."""
    steps_mm, lefts = usual
    after = min(int(np.searchsorted(steps_mm, depth_mm)), steps_mm.size - 1)
    return float(max(lefts[max(after - 1, 0)], lefts[after]))


@compiled
def frame(start_mm: float, zero: float, samples: int, longest: int, laid: Laid) -> Framed:
    """Return where a record is looked at.

    It ends before the first arrival that is left out.
    """
    times, scale, period = laid.times, laid.scale, laid.period
    quiet = int(QUIET_PERIODS * period)
    first = zero + time_of(start_mm, times[0], scale)[0]
    begin = max(int(first) - laid.before - quiet, 0)
    wide = min(samples - begin, longest)
    count = 1
    for k in range(1, laid.bank.shape[0]):
        place = zero + time_of(start_mm, times[k], scale)[0]
        if place + WHOLE_PERIODS * period < begin + wide:
            count = k + 1
    place = zero + time_of(start_mm, times[count], scale)[0]
    wide = min(wide, int(place) - laid.lead - begin)
    if wide < laid.before + int((QUIET_PERIODS + 1.0) * period):
        wide = 0
    return Framed(begin, wide, count)


@compiled
def best_wall(window: Window, begun: Begun, laid: Laid, work: Work) -> Best:
    """Return the best of fits begun where the first arrival is, and a period to each side."""
    period, per_sample = laid.period, begun.per_sample
    best, depth, alternative, alternative_mm = np.inf, np.nan, np.inf, np.nan
    for c in range(1 if begun.decides else CANDIDATES):
        start = begun.mm + (0.0, -1.0, 1.0)[c] * period * per_sample
        aim = Aim(begun.zero, begun.arrivals, HOPELESS * best)
        left, found, _ = fit_wall(window, max(start, laid.scale[0]), aim, laid, work)
        if not np.isfinite(left) or work.heights[0] <= 0.0:
            continue
        same = abs(found - depth) < 0.2 * period * per_sample
        if left < best:
            if np.isfinite(best) and not same:
                alternative, alternative_mm = best, depth
            best, depth = left, found
        elif not same and left < alternative:
            alternative, alternative_mm = left, found
    return Best(best, depth, alternative, alternative_mm)


@compiled
def fit_without_spikes(window: Window, mm: float, aim: Aim, laid: Laid, work: Work) -> Wall:
    """Fit from a thickness, once more where lone samples far off the model are dropped."""
    wall = fit_wall(window, mm, aim, laid, work)
    level = np.sqrt(wall.left / window.samples.size)
    if not drop_spikes(work.residual, level, window):
        return wall
    lay_waves(window.weight, work.dense)
    return fit_wall(window, wall.mm, aim, laid, work)


@compiled
def write_evidence(
    row: int, window: Window, begun: Begun, parts: tuple[Laid, FloatArray], work: Work,
    evidence: Evidence,
) -> np.uint32:  # fmt: skip
    """Write what speaks for and against a record's fit; return the flag of no wall, else 0."""
    laid, noise = parts
    y, weight = window
    heights, period, count = work.heights, laid.period, begun.arrivals
    best = best_wall(window, begun, laid, work)
    if not np.isfinite(best.left):
        return NO_ECHO
    aim = Aim(begun.zero, count, np.inf)
    wall = fit_without_spikes(window, best.mm, aim, laid, work)
    free = max(int(weight.sum()) - count - WAVES - 1, 1)
    variance = max(wall.left / free, 1e-300)
    # How the thickness follows each sample; then what noise does to it.
    columns = (count, WAVES)
    follows = work.moved * np.float32(wall.inverse)
    take_off(follows, work, columns, wall.inverse * work.shared)
    u = related_noise(work.residual, follows, int(np.ceil(period)), free)
    own = np.sqrt(variance * dot(follows, follows))
    colour = max(u / max(own, 1e-300), 1.0)
    evidence.mm[row], evidence.u_mm[row] = wall.mm, u
    evidence.left[row], evidence.alternative_mm[row] = np.sqrt(variance), best.alternative_mm
    evidence.odds[row] = (best.alternative_left - wall.left) / (variance * colour * colour)
    if count > 2:
        evidence.second[row] = max(heights[2], 0.0) / heights[0]
    if count > 2 and heights[2] > 0.0:
        # The second echo alone, moved: how far, in the wall that its path would then be of.
        late = late_by(2, 2, columns, wall.inverse, work)
        if late.energy > 0.0:
            rise = time_of(wall.mm, laid.times[2], laid.scale)[1]
            evidence.late_mm[row] = late.samples / rise
            evidence.u_late_mm[row] = colour * np.sqrt(variance / late.energy) / rise
    gain = 0.0
    for k in range(count):
        gain += heights[k] * against(y, work.starts[k], work.shapes[k])
    little = gain < LEAST_GAIN * variance * colour * colour
    evidence.height[row], evidence.top[row] = heights[0], np.abs(work.shapes[0]).max()
    evidence.usual_left[row] = begun.usual_left
    if begun.decides:
        evidence.astray[row] = abs(wall.mm - begun.mm) / (period * begun.per_sample)
    if count > 2:
        share = max(MOST_LEFT_FREED * evidence.top[row], OF_USUAL * begun.usual_left)
        enough = MOST_LEFT * noise[row]
        most = max(enough, share * heights[0])
        found = freed(window, begun, (wall, enough, most), laid, work)
        # A record that is late as a whole is explained by no wall alone.
        if np.isfinite(found.mm):
            little, evidence.second[row] = False, found.second
        evidence.freed_mm[row], evidence.delay[row] = found.mm, found.late
        evidence.u_freed_mm[row] = colour * np.sqrt(found.gain * found.left)
        evidence.freed_left[row] = np.sqrt(found.left)
    return NO_ECHO if little else np.uint32(0)


@compiled
def freed(
    window: Window, begun: Begun, fitted: tuple[Wall, float, float], laid: Laid, work: Work
) -> Freed:
    """Return the fit if something delays all echoes alike; NaN where none explains the record.

    ``fitted`` is the fit of the record as it is, what noise leaves, and what may be left. A delay
    of about a period looks like a thicker wall of which each echo is a cycle off: the one that
    leaves least counts.
    """
    wall, enough, most = fitted
    best = NOT_FREED
    for turn in range(DELAYS):
        delay, here = turn * LONGEST * laid.period, wall
        aim = Aim(begun.zero + delay, begun.arrivals, np.inf)
        if turn:
            start = max(float(wall.mm - delay * begun.per_sample), laid.scale[0])
            here = fit_wall(window, start, aim, laid, work)
            if not np.isfinite(here.left):
                continue
        found = fit_delayed(window, here, aim, laid, work)
        if found.left < best.left and found.second > 0.0:
            best = Freed(found.mm, found.gain, found.left, delay + found.late, found.second)
        if np.sqrt(best.left) <= enough:
            break
    return best if np.sqrt(best.left) <= most else NOT_FREED


@compiled
def fit_walls(
    records: Records,
    starts: Starts,
    laid: Laid,
    usual: Residuals,
    evidence: Evidence,
    flags: FlagArray,
) -> None:
    """Fit every record of a block that no fatal flag stands on.

    ``evidence`` is overwritten. Flags, both fatal: ``NO_ECHO``, ``GATE_OUTSIDE_RECORD``.
    """
    block, zero_code, clips, longest = records
    few, size = laid.bank.shape[0], laid.bank.shape[4]
    room = room_of(few, size)
    for each in evidence:
        each[:] = np.nan
    for row in range(block.shape[0]):
        if flags[row] & FATAL_BITS:
            continue
        start_mm, zero = starts.mm[row], starts.zero[row]
        if not np.isfinite(start_mm):
            flags[row] |= NO_ECHO
            continue
        begin, wide, count = frame(start_mm, zero, block.shape[1], longest, laid)
        if wide == 0:
            flags[row] |= OUTSIDE
            continue
        window = Window(np.empty(wide, np.float32), np.empty(wide, np.float32))
        work = work_in(room, wide)
        load_window(block[row], zero_code, clips, begin, window)
        lay_waves(window.weight, work.dense)
        per_sample = 1.0 / max(time_of(start_mm, laid.times[0], laid.scale)[1], 1e-9)
        usual_left = left_beside(start_mm, usual)
        decides = bool(starts.sure[row] and usual_left > POOR)
        begun = Begun(start_mm, zero - begin, count, per_sample, usual_left, decides)
        flags[row] |= write_evidence(row, window, begun, (laid, starts.noise), work, evidence)


@compiled
def room_of(few: int, size: int) -> Work:
    """Return the room of a fit whose dense columns and derivatives are made with its window."""
    return Work(
        np.zeros(few, np.int64),
        np.empty((few, size), np.float32),
        np.empty((few, size), np.float32),
        np.empty((0, 0), np.float32),
        np.empty((few + WAVES, few + WAVES)),
        np.zeros(few + WAVES),
        np.empty(0, np.float32),
        np.empty(0, np.float32),
        np.zeros(few + WAVES),
        np.empty((2, 2)),
    )


@compiled
def work_in(room: Work, wide: int) -> Work:
    """Return the room of a fit of a window so wide."""
    return Work(
        room.starts,
        room.shapes,
        room.slopes,
        np.empty((WAVES, wide), np.float32),
        room.gram,
        room.heights,
        np.empty(wide, np.float32),
        np.empty(wide, np.float32),
        room.shared,
        room.inverse,
    )
