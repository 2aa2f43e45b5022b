"""Least squares of one record: interface echo and back-wall echoes of one spacing, heights free.

The heights, the end of the train and a slow baseline are linear and solved for at every step;
only the interface echo's time and the spacing are sought by Gauss-Newton (variable projection).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.kernels.arrays import AnyArray
from ascan.kernels.jit import compiled
from ascan.kernels.sums import dot
from ascan.whole_record.bank import lay
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

# So many echoes of the wall have heights of their own; those after them die away evenly.
ECHOES = 14
DENSE = WAVES + 1
ROUNDS, PATIENCE = 12, 2
# A step below this part of a sample is the last: the next would be a hundred times smaller.
SETTLED = 1e-3
# No step moves an echo by more than this part of a period.
LONGEST = 0.15


class Model(NamedTuple):
    """What a record is modelled by.

    Attributes
    ----------
    front, wall : ndarray, shape (depths, PLACES + 1, 3, size), float32
        Shapes of the interface echo and of back-wall echoes, as `ascan.whole_record.bank.lay` takes
        them.
    scale : tuple of float
        Of both.
    before : int
        Samples of a shape before its time zero.
    turn : float
        Samples that every back-wall echo after the first comes late.
    per_sample, per_late : float
        mm of wall per sample of spacing, and per sample that the interface echo comes late.
    decay, growth : float
        Of late echoes; most of a later one over the first, on the steps.
    period : float
        In samples.
    strength, scatter : float
        Usual height of the first back-wall echo over the interface echo's; by how much interface
        echoes leave their shape.
    """

    front: AnyArray
    wall: AnyArray
    scale: tuple[float, float]
    before: int
    turn: float
    per_sample: float
    per_late: float
    decay: float
    growth: float
    period: float
    strength: float
    scatter: float


class Stop(NamedTuple):
    """When a fit ends: outside these spacings, or leaving more than ``enough`` after some rounds.

    ``usual`` is where the interface echo usually is, in samples of the window.
    """

    least: float
    most: float
    enough: float
    usual: float


class Fitted(NamedTuple):
    """Energy that a fit leaves, and how many shapes and dense columns it has."""

    left: float
    shapes: int
    dense: int


@compiled
def lay_columns(
    numbers: AnyArray, usual: float, weight: AnyArray, model: Model, count: int, work: Work
) -> bool:
    """Lay the interface echo, ``count`` back-wall echoes, and what comes after; tell if any does.

    ``numbers`` are the interface echo's place and the spacing in samples; ``usual`` its usual
    place.
    """
    starts, shapes, slopes, dense = work.starts, work.shapes, work.slopes, work.dense
    samples, before = weight.size, model.before
    late_mm = (numbers[0] - usual) * model.per_late
    depth = numbers[1] * model.per_sample
    for n in range(count + 1):
        place = numbers[0] + n * numbers[1] + max(n - 1, 0) * model.turn
        whole = int(np.rint(place))
        starts[n] = whole - before
        bank = model.front if n == 0 else model.wall
        lay(bank, model.scale, n * depth + late_mm, place - whole, shapes[n], slopes[n])
        weigh(shapes[n], starts[n], weight)
        weigh(slopes[n], starts[n], weight)
    tail = dense[WAVES]
    tail[:] = 0.0
    height, n, more = 1.0, count + 1, False
    spare = count + 1
    while height > 0.01:
        place = numbers[0] + n * numbers[1] + (n - 1) * model.turn
        whole = int(np.rint(place))
        start = whole - before
        if start >= samples:
            break
        more = True
        crossed_mm = n * depth + late_mm
        lay(model.wall, model.scale, crossed_mm, place - whole, shapes[spare], slopes[spare])
        add(tail, start, shapes[spare], height)
        height *= model.decay
        n += 1
    if more:
        for j in range(samples):
            tail[j] *= weight[j]
    return more


@compiled
def lay_derivatives(count: int, work: Work) -> None:
    """Write how the model follows the interface echo's place and the spacing."""
    moved = work.moved
    moved[:] = 0.0
    for n in range(count + 1):
        add(moved[0], work.starts[n], work.slopes[n], -work.heights[n])
        add(moved[1], work.starts[n], work.slopes[n], -work.heights[n] * n)


@compiled
def schur(columns: tuple[int, int], work: Work) -> bool:
    """Write the inverse of what the heights leave of the two places' own matrix.

    ``work.shared`` gets, for both, what the heights do when the place moves.
    """
    moved, shared, inverse = work.moved, work.shared, work.inverse
    size = columns[0] + columns[1]
    kept = np.empty((2, size))
    for p in range(2):
        against_all(moved[p], work, columns, kept[p])
        shared[p, :size] = kept[p]
        solve_root(work.gram, size, shared[p])
    a = dot(moved[0], moved[0]) - kept[0] @ shared[0, :size]
    b = dot(moved[0], moved[1]) - kept[0] @ shared[1, :size]
    c = dot(moved[1], moved[1]) - kept[1] @ shared[1, :size]
    determinant = a * c - b * b
    if not determinant > 1e-12 * a * c:
        return False
    inverse[0, 0], inverse[1, 1] = c / determinant, a / determinant
    inverse[0, 1] = -b / determinant
    inverse[1, 0] = inverse[0, 1]
    return True


@compiled
def fit_record(window: Window, model: Model, numbers: AnyArray, stop: Stop, work: Work) -> Fitted:
    """Fit from ``numbers``, which is overwritten.

    ``work`` holds the fit's state afterwards. The energy is infinite where the spacing leaves its
    limits, or nothing can be told.
    """
    samples, weight = window
    residual, moved, inverse = work.residual, work.moved, work.inverse
    size = samples.size
    least, step = np.inf, np.zeros(2)
    count, wide = 0, WAVES
    for turn in range(ROUNDS):
        # An echo cut at its beginning has no height of its own.
        room = (size - numbers[0] - model.period) / numbers[1]
        count = min(int(max(room, 0.0)), ECHOES)
        if count < 1:
            return Fitted(np.inf, 0, 0)
        more = lay_columns(numbers, stop.usual, weight, model, count, work)
        wide = WAVES + 1 if more else WAVES
        columns = (count + 1, wide)
        left = solve_heights(samples, columns, work)
        if left > least * (1.0 + 1e-4) and turn < ROUNDS - 1:
            # Too far: half the way back.
            step *= 0.5
            numbers -= step
            continue
        least = min(left, least)
        lay_derivatives(count, work)
        if not schur(columns, work):
            return Fitted(np.inf, 0, 0)
        by_begin, by_spacing = dot(moved[0], residual), dot(moved[1], residual)
        step[0] = inverse[0, 0] * by_begin + inverse[0, 1] * by_spacing
        step[1] = inverse[1, 0] * by_begin + inverse[1, 1] * by_spacing
        longest = max(abs(step[0]), abs(step[1]))
        if longest > LONGEST * model.period:
            step *= LONGEST * model.period / longest
        if turn == ROUNDS - 1 or (turn >= PATIENCE and least > stop.enough):
            break
        numbers += step
        if longest < SETTLED:
            break
        if not stop.least <= numbers[1] <= stop.most:
            return Fitted(np.inf, 0, 0)
    return Fitted(least, count + 1, wide)
