"""Least squares of one record: surface echo and wall echoes of one spacing, heights free.

The heights, the end of the train and a slow baseline are linear and solved for at every step;
only the surface echo's time and the spacing are sought by Gauss-Newton (variable projection).
"""

from __future__ import annotations

import numpy as np

from ascan.kernels.arrays import AnyArray, IntArray
from ascan.kernels.jit import compiled
from ascan.kernels.sums import dot
from ascan.whole_record.bank import lay

# So many echoes of the wall have heights of their own; those after them die away evenly.
ECHOES = 14
# Cosines over the window that make the baseline.
WAVES = 4
DENSE = WAVES + 1
ROUNDS, PATIENCE = 12, 2
# A step below this part of a sample is the last: the next would be a hundred times smaller.
SETTLED = 1e-3
# No step moves an echo by more than this part of a period.
LONGEST = 0.15


@compiled
def lay_waves(weight: AnyArray, dense: AnyArray) -> None:
    """Write the baseline's cosines over a window, at 0 where a sample does not count."""
    size = weight.size
    level = 1.0 / np.sqrt(size)
    turn_c, turn_s = np.cos(np.pi / size), np.sin(np.pi / size)
    c, s = np.cos(0.5 * np.pi / size), np.sin(0.5 * np.pi / size)
    for j in range(size):
        counts = weight[j]
        dense[0, j] = np.float32(level) * counts
        dense[1, j] = np.float32(level * c) * counts
        dense[2, j] = np.float32(level * (2.0 * c * c - 1.0)) * counts
        dense[3, j] = np.float32(level * c * (4.0 * c * c - 3.0)) * counts
        c, s = c * turn_c - s * turn_s, s * turn_c + c * turn_s


@compiled
def part_of(vector: AnyArray, start: int, size: int) -> tuple[int, int]:
    """Return where a shape's samples lie within a vector as long as the window."""
    return max(start, 0), max(min(start + size, vector.size), 0)


@compiled
def add(vector: AnyArray, start: int, shape: AnyArray, height: float) -> None:
    """Add a shape that starts at a sample, times a height, to a vector over the window."""
    low, high = part_of(vector, start, shape.size)
    if high <= low:
        return
    inside, size = vector[low:high], np.float32(height)
    given = shape[low - start : high - start]
    for j in range(inside.size):
        inside[j] += size * given[j]


@compiled
def weigh(shape: AnyArray, start: int, weight: AnyArray) -> None:
    """Multiply a shape that starts at a sample by the samples' weights; by 0 outside the window."""
    low, high = overlap(start, shape.size, weight.size)
    shape[:low] = 0.0
    shape[high:] = 0.0
    inside, given = shape[low:high], weight[start + low : start + high]
    for j in range(inside.size):
        inside[j] *= given[j]


@compiled
def overlap(start: int, size: int, samples: int) -> tuple[int, int]:
    """Return from where to where a shape lies inside the window, counted within the shape."""
    low = min(max(0, -start), size)
    return low, max(min(size, samples - start), low)


@compiled
def lay_columns(
    numbers: AnyArray,
    weight: AnyArray,
    banks: tuple[AnyArray, AnyArray],
    scale: tuple[float, float],
    setup: AnyArray,
    decay: float,
    count: int,
    starts: IntArray,
    shapes: AnyArray,
    slopes: AnyArray,
    dense: AnyArray,
) -> bool:
    """Lay the surface echo, ``count`` wall echoes, and what comes after them; tell if any does.

    ``numbers`` are the surface echo's place and the spacing in samples. ``setup`` holds: samples
    before time zero, turn in samples, mm of wall per sample of spacing, mm per sample that the
    surface echo comes late, and its usual place.
    """
    samples = weight.size
    before, turn, per_sample, per_late, usual = setup[0], setup[1], setup[2], setup[3], setup[4]
    late_mm = (numbers[0] - usual) * per_late
    depth = numbers[1] * per_sample
    for n in range(count + 1):
        place = numbers[0] + n * numbers[1] + max(n - 1, 0) * turn
        whole = int(np.rint(place))
        starts[n] = whole - int(before)
        bank = banks[0] if n == 0 else banks[1]
        lay(bank, scale, n * depth + late_mm, place - whole, shapes[n], slopes[n])
        weigh(shapes[n], starts[n], weight)
        weigh(slopes[n], starts[n], weight)
    tail = dense[WAVES]
    tail[:] = 0.0
    height, n, more = 1.0, count + 1, False
    spare = count + 1
    while height > 0.01:
        place = numbers[0] + n * numbers[1] + (n - 1) * turn
        whole = int(np.rint(place))
        start = whole - int(before)
        if start >= samples:
            break
        more = True
        lay(banks[1], scale, n * depth + late_mm, place - whole, shapes[spare], slopes[spare])
        add(tail, start, shapes[spare], height)
        height *= decay
        n += 1
    if more:
        for j in range(samples):
            tail[j] *= weight[j]
    return more


@compiled
def cholesky(gram: AnyArray, size: int) -> None:
    """Write the lower triangular root of a positive matrix over it; a trace of ridge helps."""
    largest = 0.0
    for k in range(size):
        largest = max(largest, gram[k, k])
    for k in range(size):
        for m in range(k + 1):
            total = gram[k, m]
            for i in range(m):
                total -= gram[k, i] * gram[m, i]
            if k == m:
                gram[k, k] = np.sqrt(max(total, 1e-9 * largest) + 1e-300)
            else:
                gram[k, m] = total / gram[m, m]


@compiled
def solve_root(root: AnyArray, size: int, right: AnyArray) -> None:
    """Solve with a root for one right-hand side, which is overwritten."""
    for k in range(size):
        total = right[k]
        for i in range(k):
            total -= root[k, i] * right[i]
        right[k] = total / root[k, k]
    for k in range(size - 1, -1, -1):
        total = right[k]
        for i in range(k + 1, size):
            total -= root[i, k] * right[i]
        right[k] = total / root[k, k]


@compiled
def against(vector: AnyArray, start: int, shape: AnyArray) -> float:
    """Return the product of a shape that starts at a sample with a vector over the window."""
    low, high = part_of(vector, start, shape.size)
    if high <= low:
        return 0.0
    return dot(vector[low:high], shape[low - start : high - start])


@compiled
def against_all(
    vector: AnyArray,
    starts: IntArray,
    shapes: AnyArray,
    dense: AnyArray,
    columns: tuple[int, int],
    out: AnyArray,
) -> None:
    """Write the products of all shapes and dense columns with a vector over the window."""
    few, wide = columns
    for k in range(few):
        out[k] = against(vector, starts[k], shapes[k])
    for d in range(wide):
        out[few + d] = dot(vector, dense[d])


@compiled
def take_off(
    vector: AnyArray,
    starts: IntArray,
    shapes: AnyArray,
    dense: AnyArray,
    columns: tuple[int, int],
    heights: AnyArray,
) -> None:
    """Subtract all shapes and dense columns, each times its height, from a vector."""
    few, wide = columns
    for k in range(few):
        add(vector, starts[k], shapes[k], -heights[k])
    for d in range(wide):
        add(vector, 0, dense[d], -heights[few + d])


@compiled
def solve_heights(
    samples: AnyArray,
    starts: IntArray,
    shapes: AnyArray,
    dense: AnyArray,
    columns: tuple[int, int],
    gram: AnyArray,
    heights: AnyArray,
    residual: AnyArray,
) -> float:
    """Solve for all heights, write what is left of the samples, and return its energy.

    ``columns`` says how many shapes and how many dense columns there are. ``gram`` is left as its
    root.
    """
    few, wide = columns
    size = shapes.shape[1]
    against_all(samples, starts, shapes, dense, columns, heights)
    for k in range(few):
        for m in range(k + 1):
            apart = starts[k] - starts[m]
            gram[k, m] = 0.0
            if abs(apart) < size:
                low = max(apart, 0)
                high = min(size, size + apart)
                gram[k, m] = dot(shapes[m, low:high], shapes[k, low - apart : high - apart])
    for d in range(wide):
        row = few + d
        for k in range(few):
            gram[row, k] = against(dense[d], starts[k], shapes[k])
        for e in range(d + 1):
            gram[row, few + e] = dot(dense[d], dense[e])
    cholesky(gram, few + wide)
    solve_root(gram, few + wide, heights)
    residual[:] = samples
    take_off(residual, starts, shapes, dense, columns, heights)
    return dot(residual, residual)


@compiled
def lay_derivatives(
    starts: IntArray,
    slopes: AnyArray,
    heights: AnyArray,
    count: int,
    moved: AnyArray,
) -> None:
    """Write how the model follows the surface echo's place and the spacing, shape (2, samples)."""
    moved[:] = 0.0
    for n in range(count + 1):
        add(moved[0], starts[n], slopes[n], -heights[n])
        add(moved[1], starts[n], slopes[n], -heights[n] * n)


@compiled
def schur(
    starts: IntArray,
    shapes: AnyArray,
    dense: AnyArray,
    columns: tuple[int, int],
    root: AnyArray,
    moved: AnyArray,
    shared: AnyArray,
    inverse: AnyArray,
) -> bool:
    """Write the inverse of what the heights leave of the two places' own matrix.

    ``shared`` gets, for both, what the heights do when the place moves.
    """
    size = columns[0] + columns[1]
    kept = np.empty((2, size))
    for p in range(2):
        against_all(moved[p], starts, shapes, dense, columns, kept[p])
        shared[p, :size] = kept[p]
        solve_root(root, size, shared[p])
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
def fit_record(
    samples: AnyArray,
    weight: AnyArray,
    numbers: AnyArray,
    banks: tuple[AnyArray, AnyArray],
    scale: tuple[float, float],
    setup: AnyArray,
    period: float,
    decay: float,
    limits: tuple[float, float],
    rounds: int,
    enough: float,
    starts: IntArray,
    shapes: AnyArray,
    slopes: AnyArray,
    dense: AnyArray,
    gram: AnyArray,
    heights: AnyArray,
    residual: AnyArray,
    moved: AnyArray,
    shared: AnyArray,
    inverse: AnyArray,
) -> tuple[float, int, int]:
    """Fit from ``numbers``, which is overwritten; return energy left, shapes and dense columns.

    A fit that after some rounds leaves more than ``enough`` is ended.

    Everything from ``starts`` on is room, and holds the fit's state afterwards. The energy is
    infinite where the spacing leaves ``limits``, or nothing can be told.
    """
    size = samples.size
    least, step = np.inf, np.zeros(2)
    count, wide = 0, WAVES
    for turn in range(rounds):
        # An echo cut at its beginning has no height of its own.
        room = (size - numbers[0] - period) / numbers[1]
        count = min(int(max(room, 0.0)), ECHOES)
        if count < 1:
            return np.inf, 0, 0
        more = lay_columns(
            numbers, weight, banks, scale, setup, decay, count, starts, shapes, slopes, dense
        )
        wide = WAVES + 1 if more else WAVES
        columns = (count + 1, wide)
        left = solve_heights(samples, starts, shapes, dense, columns, gram, heights, residual)
        if left > least * (1.0 + 1e-4) and turn < rounds - 1:
            # Too far: half the way back.
            step *= 0.5
            numbers -= step
            continue
        least = min(left, least)
        lay_derivatives(starts, slopes, heights, count, moved)
        if not schur(starts, shapes, dense, columns, gram, moved, shared, inverse):
            return np.inf, 0, 0
        by_begin, by_spacing = dot(moved[0], residual), dot(moved[1], residual)
        step[0] = inverse[0, 0] * by_begin + inverse[0, 1] * by_spacing
        step[1] = inverse[1, 0] * by_begin + inverse[1, 1] * by_spacing
        longest = max(abs(step[0]), abs(step[1]))
        if longest > LONGEST * period:
            step *= LONGEST * period / longest
        if turn == rounds - 1 or (turn >= PATIENCE and least > enough):
            break
        numbers += step
        if longest < SETTLED:
            break
        if not limits[0] <= numbers[1] <= limits[1]:
            return np.inf, 0, 0
    return least, count + 1, wide
