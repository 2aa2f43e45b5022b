"""Columns of a linear model of a record: shapes that start anywhere, and dense ones, with heights.

All heights are solved for at once; what they leave is what a place or a spacing is sought by.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.kernels.arrays import AnyArray, IntArray
from ascan.kernels.jit import compiled
from ascan.kernels.sums import dot

# Cosines over the window that make the baseline.
WAVES = 4


class Work(NamedTuple):
    """Room of one fit, and its state afterwards.

    Attributes
    ----------
    starts : ndarray, shape (shapes,), int64
        First sample of each shape in the window.
    shapes, slopes : ndarray, shape (shapes, size), float32
    dense : ndarray, shape (dense, samples), float32
        Columns as long as the window.
    gram : ndarray, shape (columns, columns)
        Their products with each other, or the root of that.
    heights : ndarray, shape (columns,)
    residual : ndarray, shape (samples,), float32
    moved : ndarray, shape (places, samples) or (samples,), float32
        How the model follows what is sought.
    shared : ndarray
        What the heights do when that moves.
    inverse : ndarray, shape (2, 2)
        Of the matrix of two places that are sought.
    """

    starts: IntArray
    shapes: AnyArray
    slopes: AnyArray
    dense: AnyArray
    gram: AnyArray
    heights: AnyArray
    residual: AnyArray
    moved: AnyArray
    shared: AnyArray
    inverse: AnyArray


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
def against_all(vector: AnyArray, work: Work, columns: tuple[int, int], out: AnyArray) -> None:
    """Write the products of all shapes and dense columns with a vector over the window."""
    few, wide = columns
    for k in range(few):
        out[k] = against(vector, work.starts[k], work.shapes[k])
    for d in range(wide):
        out[few + d] = dot(vector, work.dense[d])


@compiled
def take_off(vector: AnyArray, work: Work, columns: tuple[int, int], heights: AnyArray) -> None:
    """Subtract all shapes and dense columns, each times its height, from a vector."""
    few, wide = columns
    for k in range(few):
        add(vector, work.starts[k], work.shapes[k], -heights[k])
    for d in range(wide):
        add(vector, 0, work.dense[d], -heights[few + d])


@compiled
def solve_heights(samples: AnyArray, columns: tuple[int, int], work: Work) -> float:
    """Solve for all heights, write what is left of the samples, and return its energy.

    ``columns`` says how many shapes and how many dense columns there are. ``work.gram`` is left as
    its root.
    """
    starts, shapes, _, dense, gram, heights, residual, _, _, _ = work
    few, wide = columns
    size = shapes.shape[1]
    against_all(samples, work, columns, heights)
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
    take_off(residual, work, columns, heights)
    return dot(residual, residual)
