"""A first echo that noise masks, ahead of an echo that would then be a later one of its wall.

A threshold sees one half-cycle of it; its learned shape, laid where it would have to be, gathers
all of them.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.finding.arrival import LEAST_SHARE, NOTED, clears
from ascan.finding.rows import Row
from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.kernels.jit import compiled

# A later echo's time tells the first one's to this part of a reach (half a period).
NEAR = 1.0 / 3.0
# Sizes of shapes laid on nothing: this share of them lies below so many of their standard
# deviations (normal law). Fewer tell nothing.
QUIETER, QUIETER_SIGMAS, FEW = 0.25, 0.3186, 12


class Due(NamedTuple):
    """The first samples of a learned shape that would have to be there."""

    shape: FloatArray
    zero_index: int
    length: int


@compiled
def shape_due(row: Row, top: int) -> FloatArray:
    """Return the learned shape of the first step that is no thinner than the wall of this top."""
    time_us = row.clock_us + row.sample_us * top
    beside = int(np.searchsorted(row.learned.arrival_us, time_us))
    shape: FloatArray = row.learned.shapes[min(beside, row.learned.arrival_us.size - 1)]
    return shape


@compiled
def size_of(samples: AnyArray, top: int, due: Due) -> float:
    """Return how many times a shape is in a trace, its timed top on ``top``."""
    start, product, power = top - due.zero_index, 0.0, 0.0
    if start < 0 or start + due.length > samples.size:
        return 0.0
    for j in range(due.length):
        if np.isnan(due.shape[j]):
            break
        product += due.shape[j] * np.float64(samples[start + j])
        power += due.shape[j] * due.shape[j]
    return product / power if power > 0.0 else 0.0


@compiled
def spread_of_sizes(
    samples: AnyArray,
    steps: tuple[int, int, int],
    apart: tuple[int, int],
    due: Due,
    room: FloatArray,
) -> float:
    """Return the standard deviation of a shape's sizes where nothing is; infinite if not known.

    Tops from the first of ``steps`` to the second are tried, by the third, but for those in
    ``apart``.
    """
    count = 0
    for top in range(steps[0], steps[1], steps[2]):
        if apart[0] <= top < apart[1]:
            continue
        room[count] = abs(size_of(samples, top, due))
        count += 1
    if count < FEW:
        return np.inf
    return np.quantile(room[:count], QUIETER) / QUIETER_SIGMAS


@compiled
def masked_first(row: Row, top: int, room: FloatArray) -> tuple[float, float, bool]:
    """Return what stands where the first echo is, were the one on ``top`` its second, or third.

    Parameters
    ----------
    row : Row
    top : int
        The timed top.
    room : ndarray, shape (width,)
        Overwritten.

    Returns
    -------
    share : float
        Size of the learned shape there over that of the timed one; NaN where there is no room.
    lead : float
        How many samples its timed top lies ahead; NaN as above.
    stands_out : bool
        Whether it is clear of what lies ahead of the timed echo.
    """
    samples, train, reach, zero = row.samples, row.train, row.reach, row.learned.zero_index
    near = max(int(NEAR * reach), 1)
    own = shape_due(row, top)
    timed = size_of(samples, top, Due(own, zero, own.size))
    share, lead, stands_out = np.nan, np.nan, False
    if train.shape[1] == 0:
        return share, lead, stands_out
    for later in range(1, train.shape[0] + 1):
        # After the second and the converted one, the third: as far behind the second as that one
        # is behind the first.
        each = train[later] if later < train.shape[0] else 2.0 * train[1] - train[0]
        middle = int(np.rint(np.interp(np.float64(top), each, train[0])))
        length = min(top - middle - near, zero + reach)
        if middle - near < row.start or length < zero + near or not timed > 0.0:
            continue
        due = Due(shape_due(row, middle), zero, length)
        apart = (middle - 2 * reach, middle + 2 * reach)
        steps = (row.start, top - length, max(reach // 6, 1))
        spread = spread_of_sizes(samples, steps, apart, due, room)
        for j in range(middle - near, middle + near + 1):
            size = size_of(samples, j, due)
            if not clears(samples, row.lift, j):
                continue
            stands_out |= size > max(NOTED * spread, LEAST_SHARE * timed)
            if not size / timed <= share:
                share, lead = size / timed, np.float64(top - j)
    return share, lead, stands_out
