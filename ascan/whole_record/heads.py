"""Least squares of a dual-element probe's record: first, converted, second and third echo at once.

Only the thickness is sought by Gauss-Newton; what both apertures make of each echo of such a wall
is laid out beforehand, and heights and baseline are solved for at every step.
"""

from __future__ import annotations

import numpy as np

from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray, IntArray
from ascan.kernels.jit import compiled
from ascan.kernels.sums import dot
from ascan.whole_record.bank import FIRST_MM, lay
from ascan.whole_record.fit import (
    WAVES,
    add,
    against,
    against_all,
    lay_waves,
    solve_heights,
    solve_root,
    take_off,
    weigh,
)
from ascan.whole_record.rivals import (
    CANDIDATES,
    FATAL_BITS,
    HOPELESS,
    LEAST_GAIN,
    MOST_LEFT,
    MOST_LEFT_SHARE,
    NO_ECHO,
    OUTSIDE,
    RIVAL,
    UNLIKE,
    drop_spikes,
    load_window,
    related_noise,
)

ROUNDS, PATIENCE = 14, 3
# A thickness that moves by less than this is settled, in mm; no step is longer than this part of a
# period.
SETTLED_MM, LONGEST = 2e-6, 0.2
# The window begins so many periods before the first echo's pulse: the quiet before it counts.
QUIET_PERIODS = 2.0
# An arrival is taken in that begins so many periods before the window's end.
WHOLE_PERIODS = 2.5
# A delay of the whole record is followed for so many rounds, as far as so many periods, where it is
# told by so many deviations.
DELAY_ROUNDS, MOST_DELAY, DELAY_SIGMAS = 6, 0.75, 4.0
# So many delays are begun from, `LONGEST` apart, until one leaves no more than noise.
DELAYS = 4
# A record may leave so many times what the steps beside it left: a model that does not hold for the
# probe speaks against no wall.
OF_USUAL_LEFT = 1.5
# A fit this near to where the head lies, in periods, is of the same half-cycle.
NEAR_HEAD = 0.25
RESULTS = 10
# Echoes laid out by thickness: bank, times, its scale, samples before a shape's time zero, period.
Laid = tuple[AnyArray, AnyArray, tuple[float, float], int, float]
# Room of one fit: starts, shapes, slopes, waves, gram, heights, residual, moved, shared.
Room = tuple[
    IntArray, AnyArray, AnyArray, AnyArray, AnyArray, AnyArray, AnyArray, AnyArray, AnyArray
]


@compiled
def time_of(depth: float, times: AnyArray, scale: tuple[float, float]) -> tuple[float, float]:
    """Return when an arrival of such a wall comes, in samples, and how it follows the thickness.

    Between nodes that are even in a logarithm, thickness itself shares the way.
    """
    where = np.log1p(max(depth - scale[0], 0.0) / FIRST_MM) / scale[1]
    low = min(int(where), times.size - 2)
    here = FIRST_MM * np.expm1(scale[1] * low)
    after = FIRST_MM * np.expm1(scale[1] * (low + 1))
    share = min((depth - scale[0] - here) / (after - here), 1.0)
    rise = times[low + 1] - times[low]
    return times[low] + share * rise, rise / (after - here)


@compiled
def free_energy(
    vector: AnyArray,
    starts: IntArray,
    shapes: AnyArray,
    waves: AnyArray,
    columns: tuple[int, int],
    root: AnyArray,
    shared: AnyArray,
) -> float:
    """Return the energy of a vector that no heights take up; ``shared`` gets what they would."""
    size = columns[0] + columns[1]
    against_all(vector, starts, shapes, waves, columns, shared)
    kept = shared[:size].copy()
    solve_root(root, size, shared)
    return dot(vector, vector) - float(kept @ shared[:size])


@compiled
def fit_wall(
    samples: AnyArray,
    weight: AnyArray,
    start_mm: float,
    zero: float,
    laid: Laid,
    count: int,
    enough: float,
    room: Room,
) -> tuple[float, float, float]:
    """Fit the thickness from a start; return energy left, thickness, and inverse of its matrix.

    ``room`` holds the fit's state afterwards.
    """
    bank, times, scale, before, period = laid
    starts, shapes, slopes, waves, gram, heights, residual, moved, shared = room
    depth, least, step, inverse = float(start_mm), np.inf, 0.0, np.nan
    columns = (count, WAVES)
    for turn in range(ROUNDS):
        moved[:] = 0.0
        for k in range(count):
            late, follows = time_of(depth, times[k], scale)
            place = zero + late
            whole = int(np.rint(place))
            starts[k] = whole - before
            lay(bank[k], scale, depth, place - whole, shapes[k], slopes[k])
            weigh(shapes[k], starts[k], weight)
            weigh(slopes[k], starts[k], weight)
            shared[k] = follows
        left = solve_heights(samples, starts, shapes, waves, columns, gram, heights, residual)
        if left > least * (1.0 + 1e-4) and turn < ROUNDS - 1:
            step *= 0.5
            depth -= step
            continue
        least = min(left, least)
        for k in range(count):
            add(moved, starts[k], slopes[k], -heights[k] * shared[k])
        own = free_energy(moved, starts, shapes, waves, columns, gram, shared)
        if not own > 0.0:
            return np.inf, depth, np.nan
        inverse = 1.0 / own
        step = inverse * dot(moved, residual)
        longest = LONGEST * period / max(abs(time_of(depth, times[0], scale)[1]), 1e-9)
        step = float(min(max(step, -longest), longest))
        if turn == ROUNDS - 1 or (turn >= PATIENCE and least > enough):
            break
        depth = float(max(depth + step, scale[0]))
        if abs(step) < SETTLED_MM:
            break
    return least, depth, inverse


@compiled
def late_by(
    first: int, last: int, columns: tuple[int, int], room: Room, inverse: float
) -> tuple[float, float, float]:
    """Return by how many samples arrivals first..last come late, thickness free beside it.

    Also the energy that tells it, and by how much its shape is that of another thickness.
    """
    starts, shapes, slopes, waves, gram, heights, residual, moved, _ = room
    size = columns[0] + columns[1]
    late, shared, by_moved = np.zeros_like(residual), np.empty(size), np.empty(size)
    for k in range(first, last + 1):
        add(late, starts[k], slopes[k], -heights[k])
    energy = free_energy(late, starts, shapes, waves, columns, gram, shared)
    against_all(moved, starts, shapes, waves, columns, by_moved)
    cross = dot(late, moved) - float(shared @ by_moved)
    energy -= cross * cross * inverse
    if not energy > 0.0:
        return 0.0, 0.0, cross
    return dot(late, residual) / energy, energy, cross


@compiled
def fit_delayed(
    samples: AnyArray,
    weight: AnyArray,
    depth: float,
    inverse: float,
    zero: float,
    laid: Laid,
    count: int,
    left: float,
    room: Room,
) -> tuple[float, float, float]:
    """Return thickness, its variance per variance of the noise, and what is left, of late records.

    Something may delay all arrivals alike. ``room`` holds the fit of the record as it is, which
    leaves ``left``, and is overwritten.
    """
    period = laid[4]
    columns, delay, free = (count, WAVES), 0.0, max(weight.sum() - count - WAVES - 2.0, 1.0)
    energy, cross = 0.0, 0.0
    for turn in range(DELAY_ROUNDS):
        step, energy, cross = late_by(0, count - 1, columns, room, inverse)
        if not energy > 0.0:
            return np.nan, np.nan, np.inf
        step = min(max(step, -LONGEST * period), LONGEST * period)
        delay += step
        depth -= inverse * cross * step
        told = step * step * energy > DELAY_SIGMAS * DELAY_SIGMAS * left / free
        if not abs(delay) < MOST_DELAY * period:
            return np.nan, np.nan, np.inf
        if turn == DELAY_ROUNDS - 1 or not (told or (turn > 0 and abs(step) > 0.01)):
            break
        left, depth, inverse = fit_wall(
            samples, weight, depth, zero + delay, laid, count, np.inf, room
        )
        if not np.isfinite(left):
            return np.nan, np.nan, np.inf
    return depth, inverse + (inverse * cross) ** 2 / energy, left / free


@compiled
def left_beside(depth_mm: float, usual: tuple[FloatArray, FloatArray]) -> float:
    """Return the more of what the fit left of the two steps that a wall lies between."""
    steps_mm, lefts = usual
    after = min(int(np.searchsorted(steps_mm, depth_mm)), steps_mm.size - 1)
    return float(max(lefts[max(after - 1, 0)], lefts[after]))


@compiled
def fit_walls(
    block: AnyArray,
    zero_code: float,
    clips: tuple[float, float],
    start_mm: AnyArray,
    sure: AnyArray,
    zero: AnyArray,
    noise: AnyArray,
    before: int,
    lead: int,
    bank: AnyArray,
    times: AnyArray,
    scale: tuple[float, float],
    period: float,
    longest: int,
    least_odds: float,
    usual: tuple[FloatArray, FloatArray],
    results: AnyArray,
    flags: FlagArray,
) -> None:
    """Fit every record of a block.

    Parameters
    ----------
    block : ndarray, shape (n, samples), stored type
    zero_code, clips : float
    start_mm : ndarray, shape (n,)
        Thickness by the head of the first echo (NaN: none).
    sure : ndarray of bool, shape (n,)
        Whether that head says which half-cycle it is. Where the model is known not to hold for the
        probe (``usual``), what it leaves is no noise, and the head decides.
    zero : ndarray, shape (n,)
        When the pulse leaves, in samples of the record.
    noise : ndarray, shape (n,)
        Standard deviation of the record's noise, in codes.
    before, lead : int
        Samples of a shape before its time zero; those by which it is well begun before.
    bank : ndarray, shape (arrivals, depths, PLACES + 1, 3, size), float32
    times : ndarray, shape (arrivals + 1, depths)
        When each arrives, in samples after the pulse left; the last is that of the first one left
        out.
    scale : tuple of float
        As for `ascan.whole_record.bank.lay`.
    longest : int
        Of a window.
    least_odds : float
        Twice the log odds that a rival must be behind by, or ``RIVAL_READING``.
    usual : tuple of ndarray, shape (steps,)
        Steps in mm, and what the fit left of their records over the first echo's height:
        ``UNLIKE_MODEL`` where so much more is left.
    results : ndarray, shape (n, RESULTS)
        Gets thickness, its standard uncertainty (mm), what is left (codes), the rival's thickness,
        twice the log odds against it, by how much the second echo comes late (mm of wall), the
        standard uncertainty of that, thickness if a film delays all echoes alike, its standard
        uncertainty, and the second echo over the first, each against what the operator makes of it.

    Notes
    -----
    Flags: ``NO_ECHO``, ``RIVAL_READING`` (fatal); ``UNLIKE_MODEL``.
    """
    arrivals, size = bank.shape[0], bank.shape[4]
    few = arrivals
    starts = np.zeros(few, np.int64)
    shapes, slopes = np.empty((few, size), np.float32), np.empty((few, size), np.float32)
    gram, heights = np.empty((few + WAVES, few + WAVES)), np.zeros(few + WAVES)
    shared, laid = np.zeros(few + WAVES), (bank, times, scale, before, period)
    results[:] = np.nan
    quiet = int(QUIET_PERIODS * period)
    lags = int(np.ceil(period))
    for row in range(block.shape[0]):
        if flags[row] & FATAL_BITS:
            continue
        if not np.isfinite(start_mm[row]):
            flags[row] |= NO_ECHO
            continue
        first = zero[row] + time_of(start_mm[row], times[0], scale)[0]
        begin = max(int(first) - before - quiet, 0)
        wide = min(block.shape[1] - begin, longest)
        count = 1
        for k in range(1, arrivals):
            place = zero[row] + time_of(start_mm[row], times[k], scale)[0]
            if place + WHOLE_PERIODS * period < begin + wide:
                count = k + 1
        # The window ends before the first arrival that is left out.
        place = zero[row] + time_of(start_mm[row], times[count], scale)[0]
        wide = min(wide, int(place) - lead - begin)
        if wide < before + int((QUIET_PERIODS + 1.0) * period):
            flags[row] |= OUTSIDE
            continue
        y, w = np.empty(wide, np.float32), np.empty(wide, np.float32)
        waves = np.empty((WAVES, wide), np.float32)
        rest, moved = np.empty(wide, np.float32), np.empty(wide, np.float32)
        room = (starts, shapes, slopes, waves, gram, heights, rest, moved, shared)
        load_window(block[row], zero_code, clips, begin, y, w)
        lay_waves(w, waves)
        origin = zero[row] - begin
        per_sample = 1.0 / max(time_of(start_mm[row], times[0], scale)[1], 1e-9)
        best, depth, rival, rival_mm = np.inf, np.nan, np.inf, np.nan
        usual_left = left_beside(start_mm[row], usual)
        by_head = sure[row] and usual_left > MOST_LEFT_SHARE
        for c in range(1 if by_head else CANDIDATES):
            # A period to each side of where the head was found.
            start = start_mm[row] + (0.0, -1.0, 1.0)[c] * period * per_sample
            left, found, _ = fit_wall(
                y, w, max(start, scale[0]), origin, laid, count, HOPELESS * best, room
            )
            if not np.isfinite(left) or heights[0] <= 0.0:
                continue
            same = abs(found - depth) < 0.2 * period * per_sample
            if left < best:
                if np.isfinite(best) and not same:
                    rival, rival_mm = best, depth
                best, depth = left, found
            elif not same and left < rival:
                rival, rival_mm = left, found
        if not np.isfinite(best):
            flags[row] |= NO_ECHO
            continue
        inverse = np.nan
        for attempt in range(2):
            best, depth, inverse = fit_wall(y, w, depth, origin, laid, count, np.inf, room)
            if attempt or not drop_spikes(rest, np.sqrt(best / wide), y, w):
                break
            lay_waves(w, waves)
        free = max(int(w.sum()) - count - WAVES - 1, 1)
        variance = max(best / free, 1e-300)
        # How the thickness follows each sample; then what noise does to it.
        columns = (count, WAVES)
        follows = moved * np.float32(inverse)
        take_off(follows, starts, shapes, waves, columns, inverse * shared)
        u = related_noise(rest, follows, lags, free)
        own = np.sqrt(variance * dot(follows, follows))
        colour = max(u / max(own, 1e-300), 1.0)
        odds = (rival - best) / (variance * colour * colour)
        results[row, 0], results[row, 1], results[row, 2] = depth, u, np.sqrt(variance)
        results[row, 3], results[row, 4] = rival_mm, odds
        if count > 2:
            results[row, 9] = max(heights[2], 0.0) / heights[0]
        if count > 2 and heights[2] > 0.0:
            # The second echo alone, moved: how far, in the wall that its path would then be of.
            late, energy, _ = late_by(2, 2, columns, room, inverse)
            if energy > 0.0:
                rise = time_of(depth, times[2], scale)[1]
                results[row, 5] = late / rise
                results[row, 6] = colour * np.sqrt(variance / energy) / rise
        gain = 0.0
        for k in range(count):
            gain += heights[k] * against(y, starts[k], shapes[k])
        if gain < LEAST_GAIN * variance * colour * colour:
            flags[row] |= NO_ECHO
            continue
        astray = abs(depth - start_mm[row]) > NEAR_HEAD * period * per_sample
        if odds < least_odds or (by_head and astray):
            flags[row] |= RIVAL
        top = np.abs(shapes[0]).max()
        most_share = max(MOST_LEFT_SHARE * top, OF_USUAL_LEFT * usual_left)
        floor = max(MOST_LEFT * noise[row], most_share * abs(heights[0]))
        if np.sqrt(variance) > floor:
            flags[row] |= UNLIKE
        if count > 2 and heights[2] > 0.0:
            for turn in range(DELAYS):
                delay, left, here = turn * LONGEST * period, best, depth
                if turn:
                    start = max(float(depth - delay * per_sample), scale[0])
                    left, here, inverse = fit_wall(
                        y, w, start, origin + delay, laid, count, np.inf, room
                    )
                    if not np.isfinite(left):
                        continue
                freed, gain, left = fit_delayed(
                    y, w, here, inverse, origin + delay, laid, count, left, room
                )
                if np.sqrt(left) <= floor:
                    results[row, 7], results[row, 8] = freed, colour * np.sqrt(gain * left)
                    break
