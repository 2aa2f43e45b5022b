"""Which spacings of a layered record are tried, and which of them explains it best."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.kernels.jit import compiled
from ascan.kernels.sums import dot
from ascan.whole_record.bank import lay
from ascan.whole_record.columns import Work, add, lay_waves, weigh
from ascan.whole_record.layered_fit import (
    Fitted,
    Model,
    Stop,
    fit_record,
)
from ascan.whole_record.search import (
    NEAR,
    Comb,
    find_front,
)
from ascan.whole_record.window import (
    Window,
    drop_spikes,
    trust_less,
)

CANDIDATES = 3


# No back-wall echo is so many times as high as the first one, beyond what the steps' were; noise
# may add so many deviations.
MOST_GROWTH, GROWTH_NOISE = 1.6, 4.0


# A fit is given up that leaves so many times what the best one does.
HOPELESS = 2.0


class Front(NamedTuple):
    """Place and height of the interface echo."""

    place: float
    height: float


class Tried(NamedTuple):
    """Candidates: energies they leave, what they cost, and their numbers."""

    lefts: FloatArray
    costs: FloatArray
    numbers: FloatArray


@compiled
def cost_of(heights: AnyArray, shape: AnyArray, decay: float, variance: float) -> float:
    """Return twice the log odds that a train's free heights cost it.

    Each had to be found among as many values as noise lets be told in the range that a dying train
    leaves it (Laplace's approximation to the evidence): else many thin echoes would fit all noise.
    """
    told = heights[0] ** 2 * dot(shape, shape) / max(variance, 1e-300)
    cost = 0.0
    for _ in range(heights.size):
        cost += np.log1p(told)
        told *= decay * decay
    return float(cost)


@compiled
def two_best(tried: Tried, same: float, variance: float) -> tuple[int, int]:
    """Return the candidate that explains most for what it costs, and the next; -1 for none."""
    lefts, costs, numbers = tried
    first, second = -1, -1
    best, next_best = np.inf, np.inf
    for c in range(lefts.size):
        if lefts[c] + variance * costs[c] < best:
            first, best = c, lefts[c] + variance * costs[c]
    for c in range(lefts.size):
        score = lefts[c] + variance * costs[c]
        if score < next_best and abs(numbers[c, 1] - numbers[first, 1]) >= same:
            second, next_best = c, score
    return first, second


@compiled
def take_front(
    window: Window, rails: AnyArray, near: float, noise: float, parts: tuple[Model, Comb, Stop],
    work: Work,
) -> Front:  # fmt: skip
    """Find the interface echo near a sample; ``work`` gets its shape, and what it leaves."""
    model, comb, stop = parts
    y, w = window
    period, rest = model.period, work.residual
    reach, half = int(np.ceil(NEAR * period)), int(np.ceil(0.5 * period))
    place, height = find_front(window, rails, (comb.front, model.before), near, reach, False)
    whole = int(np.rint(place))
    shape, start = work.shapes[0], whole - model.before
    work.starts[0] = start
    late_mm = (place - stop.usual) * model.per_late
    lay(model.front, model.scale, late_mm, place - whole, shape, work.slopes[0])
    trust_less(window, shape, start, model.scatter * abs(height), noise, half)
    weigh(shape, start, w)
    lay_waves(w, work.dense)
    rest[:] = y
    add(rest, start, shape, -height)
    return Front(place, height)


@compiled
def try_candidates(
    window: Window, model: Model, front: Front, candidates: AnyArray, stop: Stop, work: Work
) -> Tried:
    """Fit from each candidate spacing; those that are no train leave infinite energy."""
    tried = Tried(np.full(CANDIDATES, np.inf), np.zeros(CANDIDATES), np.zeros((CANDIDATES, 2)))
    wide, heights, shapes = window.samples.size, work.heights, work.shapes
    numbers, least_left = np.empty(2), np.inf
    for c in range(candidates.size):
        numbers[0], numbers[1] = front.place, candidates[c]
        limit = Stop(stop.least, stop.most, HOPELESS * least_left, stop.usual)
        found = fit_record(window, model, numbers, limit, work)
        if not np.isfinite(found.left) or heights[0] * heights[1] <= 0.0:
            continue
        noisy = GROWTH_NOISE * np.sqrt(found.left / wide) / (np.linalg.norm(shapes[1]) + 1e-30)
        most = MOST_GROWTH * model.growth * abs(heights[1]) + noisy
        if found.shapes > 2 and np.abs(heights[2 : found.shapes]).max() > most:
            continue
        least_left = min(found.left, least_left)
        tried.lefts[c], tried.numbers[c] = found.left, numbers
        own = heights[1 : found.shapes]
        tried.costs[c] = cost_of(own, shapes[1], model.decay, found.left / wide)
    return tried


@compiled
def fit_without_spikes(
    window: Window, model: Model, numbers: AnyArray, stop: Stop, work: Work
) -> Fitted:
    """Fit from ``numbers``, once more where lone samples far off the model are dropped."""
    found = fit_record(window, model, numbers, stop, work)
    level = np.sqrt(found.left / window.samples.size)
    if not drop_spikes(work.residual, level, window):
        return found
    lay_waves(window.weight, work.dense)
    return fit_record(window, model, numbers, stop, work)
