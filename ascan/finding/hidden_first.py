"""A first echo that noise hides, ahead of an echo that would then be a later one of its wall.

A threshold sees one half-cycle of it; its learned head, laid where it would have to be, gathers all
of them.
"""

from __future__ import annotations

import numpy as np

from ascan.finding.arrival import LEAST_SHARE, NOTED, clears
from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.kernels.jit import compiled

# A later echo's time tells the first one's to this part of a reach (half a period).
NEAR = 1.0 / 3.0
# Sizes of heads laid on nothing: this share of them lies below so many of their standard deviations
# (normal law). Fewer tell nothing.
QUIETER, QUIETER_SIGMAS, FEW = 0.25, 0.3186, 12


@compiled
def head_due(
    learned: tuple[FloatArray, FloatArray, int], clock: tuple[float, float], top: int
) -> FloatArray:
    """Return the learned head of the first step that is no thinner than the wall of this top."""
    heads, heads_us, _ = learned
    beside = int(np.searchsorted(heads_us, clock[0] + clock[1] * top))
    head: FloatArray = heads[min(beside, heads_us.size - 1)]
    return head


@compiled
def size_of_head(samples: AnyArray, top: int, head: FloatArray, before: int, length: int) -> float:
    """Return how many times a head of so many samples is in a trace, its timed top on ``top``."""
    start, product, power = top - before, 0.0, 0.0
    if start < 0 or start + length > samples.size:
        return 0.0
    for j in range(length):
        if np.isnan(head[j]):
            break
        product += head[j] * np.float64(samples[start + j])
        power += head[j] * head[j]
    return product / power if power > 0.0 else 0.0


@compiled
def spread_of_sizes(
    samples: AnyArray,
    steps: tuple[int, int, int],
    apart: tuple[int, int],
    head: tuple[FloatArray, int, int],
    room: FloatArray,
) -> float:
    """Return the standard deviation of a head's sizes where nothing is; infinite if not known.

    Tops from the first of ``steps`` to the second are tried, by the third, but for those in
    ``apart``.
    """
    count = 0
    for top in range(steps[0], steps[1], steps[2]):
        if apart[0] <= top < apart[1]:
            continue
        room[count] = abs(size_of_head(samples, top, head[0], head[1], head[2]))
        count += 1
    if count < FEW:
        return np.inf
    return np.quantile(room[:count], QUIETER) / QUIETER_SIGMAS


@compiled
def hidden_first(
    samples: AnyArray,
    lift: FloatArray,
    train: FloatArray,
    learned: tuple[FloatArray, FloatArray, int],
    clock: tuple[float, float],
    start: int,
    top: int,
    reach: int,
    room: FloatArray,
) -> tuple[float, float, bool]:
    """Return what stands where the first echo is, were the one on ``top`` its second, or third.

    Parameters
    ----------
    samples : ndarray, shape (width,)
    lift, train, learned, clock : as in `ascan.finding.head_match.match_heads`
    start, top : int
        First sample of the gate, and the timed top.
    reach : int
        One and a half periods, in samples.
    room : ndarray, shape (width,)
        Overwritten.

    Returns
    -------
    share : float
        Size of the learned head there over that of the timed one; NaN where there is no room.
    lead : float
        How many samples its timed top lies ahead; NaN as above.
    stands_out : bool
        Whether it is clear of what lies ahead of the timed echo.
    """
    before = learned[2]
    near = max(int(NEAR * reach), 1)
    own = head_due(learned, clock, top)
    timed = size_of_head(samples, top, own, before, own.size)
    share, lead, stands_out = np.nan, np.nan, False
    if train.shape[1] == 0:
        return share, lead, stands_out
    for later in range(1, train.shape[0] + 1):
        # After the second and the converted one, the third: as far behind the second as that one
        # is behind the first.
        each = train[later] if later < train.shape[0] else 2.0 * train[1] - train[0]
        middle = int(np.rint(np.interp(np.float64(top), each, train[0])))
        length = min(top - middle - near, before + reach)
        if middle - near < start or length < before + near or not timed > 0.0:
            continue
        head = head_due(learned, clock, middle)
        apart = (middle - 2 * reach, middle + 2 * reach)
        steps = (start, top - length, max(reach // 6, 1))
        spread = spread_of_sizes(samples, steps, apart, (head, before, length), room)
        for j in range(middle - near, middle + near + 1):
            size = size_of_head(samples, j, head, before, length)
            if not clears(samples, lift, j):
                continue
            stands_out |= size > max(NOTED * spread, LEAST_SHARE * timed)
            if not size / timed <= share:
                share, lead = size / timed, np.float64(top - j)
    return share, lead, stands_out
