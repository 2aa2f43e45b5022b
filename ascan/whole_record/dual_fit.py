"""Least squares of a dual-element probe's record: first, converted, second and third echo at once.

Only the thickness is sought by Gauss-Newton; what both apertures make of each echo of such a wall
is laid out beforehand, and heights and baseline are solved for at every step.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.kernels.arrays import AnyArray
from ascan.kernels.jit import compiled
from ascan.kernels.sums import dot
from ascan.whole_record.bank import FIRST_MM, lay
from ascan.whole_record.columns import (
    WAVES,
    Work,
    add,
    against_all,
    solve_heights,
    solve_root,
    weigh,
)
from ascan.whole_record.window import Window

ROUNDS, PATIENCE = 14, 3
# A thickness that moves by less than this is settled, in mm; no step is longer than this part of a
# period.
SETTLED_MM, LONGEST = 2e-6, 0.2
# A delay of the whole record is followed for so many rounds, as far as so many periods, where it is
# told by so many deviations.
DELAY_ROUNDS, MOST_DELAY, DELAY_SIGMAS = 6, 0.75, 4.0


class Laid(NamedTuple):
    """Echoes laid out by thickness.

    Attributes
    ----------
    bank : ndarray, shape (arrivals, depths, PLACES + 1, 3, size), float32
    times : ndarray, shape (arrivals + 1, depths)
        When each arrives, in samples after the pulse left; the last is that of the first one left
        out.
    scale : tuple of float
        As for `ascan.whole_record.bank.lay`.
    before, lead : int
        Samples of a shape before its time zero; those by which it is well begun before.
    period : float
        In samples.
    """

    bank: AnyArray
    times: AnyArray
    scale: tuple[float, float]
    before: int
    lead: int
    period: float


class Aim(NamedTuple):
    """When the pulse left, in samples of the window; arrivals in it; energy that is good enough."""

    zero: float
    arrivals: int
    enough: float


class Wall(NamedTuple):
    """Energy that a fit leaves, thickness, and the inverse of its matrix."""

    left: float
    mm: float
    inverse: float


class Late(NamedTuple):
    """By how many samples arrivals come late, thickness free beside it.

    Also the energy that tells it, and by how much its shape is that of another thickness.
    """

    samples: float
    energy: float
    cross: float


class Freed(NamedTuple):
    """A record that is late as a whole.

    Attributes
    ----------
    mm, gain : float
        Thickness, and its variance per variance of noise.
    left : float
        Variance of what is left.
    late : float
        By how many samples; beyond where the fit began.
    second : float
        The second echo's height over the first's.
    """

    mm: float
    gain: float
    left: float
    late: float
    second: float


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
def free_energy(vector: AnyArray, columns: tuple[int, int], work: Work, shared: AnyArray) -> float:
    """Return the energy of a vector that no heights take up; ``shared`` gets what they would."""
    size = columns[0] + columns[1]
    against_all(vector, work, columns, shared)
    kept = shared[:size].copy()
    solve_root(work.gram, size, shared)
    return dot(vector, vector) - float(kept @ shared[:size])


@compiled
def fit_wall(window: Window, start_mm: float, aim: Aim, laid: Laid, work: Work) -> Wall:
    """Fit the thickness from a start; ``work`` holds the fit's state afterwards."""
    samples, weight = window
    times, scale, heights = laid.times, laid.scale, work.heights
    moved, shared = work.moved, work.shared
    depth, least, step, inverse = float(start_mm), np.inf, 0.0, np.nan
    columns = (aim.arrivals, WAVES)
    for turn in range(ROUNDS):
        moved[:] = 0.0
        for k in range(aim.arrivals):
            late, follows = time_of(depth, times[k], scale)
            place = aim.zero + late
            whole = int(np.rint(place))
            work.starts[k] = whole - laid.before
            lay(laid.bank[k], scale, depth, place - whole, work.shapes[k], work.slopes[k])
            weigh(work.shapes[k], work.starts[k], weight)
            weigh(work.slopes[k], work.starts[k], weight)
            shared[k] = follows
        left = solve_heights(samples, columns, work)
        if left > least * (1.0 + 1e-4) and turn < ROUNDS - 1:
            step *= 0.5
            depth -= step
            continue
        least = min(left, least)
        for k in range(aim.arrivals):
            add(moved, work.starts[k], work.slopes[k], -heights[k] * shared[k])
        own = free_energy(moved, columns, work, shared)
        if not own > 0.0:
            return Wall(np.inf, depth, np.nan)
        inverse = 1.0 / own
        step = inverse * dot(moved, work.residual)
        longest = LONGEST * laid.period / max(abs(time_of(depth, times[0], scale)[1]), 1e-9)
        step = float(min(max(step, -longest), longest))
        if turn == ROUNDS - 1 or (turn >= PATIENCE and least > aim.enough):
            break
        depth = float(max(depth + step, scale[0]))
        if abs(step) < SETTLED_MM:
            break
    return Wall(least, depth, inverse)


NOT_FREED = Freed(np.nan, np.nan, np.inf, np.nan, np.nan)


@compiled
def late_by(first: int, last: int, columns: tuple[int, int], inverse: float, work: Work) -> Late:
    """Return by how many samples arrivals first..last come late."""
    moved, residual = work.moved, work.residual
    size = columns[0] + columns[1]
    late, shared, by_moved = np.zeros_like(residual), np.empty(size), np.empty(size)
    for k in range(first, last + 1):
        add(late, work.starts[k], work.slopes[k], -work.heights[k])
    energy = free_energy(late, columns, work, shared)
    against_all(moved, work, columns, by_moved)
    cross = dot(late, moved) - float(shared @ by_moved)
    energy -= cross * cross * inverse
    if not energy > 0.0:
        return Late(0.0, 0.0, cross)
    return Late(dot(late, residual) / energy, energy, cross)


@compiled
def fit_delayed(window: Window, wall: Wall, aim: Aim, laid: Laid, work: Work) -> Freed:
    """Fit a record in which something may delay all arrivals alike.

    ``work`` holds the fit of the record as it is, ``wall``, and is overwritten.
    """
    period, nothing = laid.period, NOT_FREED
    left, depth, inverse = wall
    columns, delay = (aim.arrivals, WAVES), 0.0
    free = max(window.weight.sum() - aim.arrivals - WAVES - 2.0, 1.0)
    energy, cross = 0.0, 0.0
    for turn in range(DELAY_ROUNDS):
        step, energy, cross = late_by(0, aim.arrivals - 1, columns, inverse, work)
        if not energy > 0.0:
            return nothing
        step = min(max(step, -LONGEST * period), LONGEST * period)
        delay += step
        depth -= inverse * cross * step
        told = step * step * energy > DELAY_SIGMAS * DELAY_SIGMAS * left / free
        if not abs(delay) < MOST_DELAY * period:
            return nothing
        if turn == DELAY_ROUNDS - 1 or not (told or (turn > 0 and abs(step) > 0.01)):
            break
        later = Aim(aim.zero + delay, aim.arrivals, np.inf)
        left, depth, inverse = fit_wall(window, depth, later, laid, work)
        if not np.isfinite(left):
            return nothing
    second = work.heights[2] / work.heights[0] if aim.arrivals > 2 else 0.0
    return Freed(depth, inverse + (inverse * cross) ** 2 / energy, left / free, delay, second)
