"""Each record's best explanation, its nearest alternative, and the evidence on both."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.base.flags import FATAL, Flag
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray, IntArray
from ascan.kernels.jit import compiled
from ascan.kernels.sums import dot
from ascan.whole_record.bank import lay
from ascan.whole_record.columns import WAVES, Work, add, lay_waves, solve_heights, take_off, weigh
from ascan.whole_record.layered_fit import (
    DENSE,
    ECHOES,
    Fitted,
    Model,
    Stop,
    fit_record,
)
from ascan.whole_record.search import (
    APART,
    NEAR,
    STEP,
    Comb,
    best_spacings,
    find_front,
    products_of,
    score_spacings,
)
from ascan.whole_record.window import (
    Records,
    Window,
    drop_spikes,
    load_rails,
    load_window,
    trust_less,
)

FATAL_BITS = np.uint32(FATAL)
NO_ECHO = np.uint32(Flag.NO_ECHO)
UNCOUPLED = np.uint32(Flag.UNCOUPLED)
OUTSIDE = np.uint32(Flag.GATE_OUTSIDE_RECORD)

CANDIDATES = 3
# A train is there if it takes so many variances of what is left off the energy, and this part of
# what surface echo and baseline leave.
LEAST_GAIN, LEAST_SHARE = 44.0, 0.02
# No wall echo is so many times as high as the first one; noise may add so many deviations.
MOST_GROWTH, GROWTH_NOISE = 1.6, 4.0
# Noise may leave an echo of so many of its deviations (once in 10⁵ records).
OTHER_SIGMAS = 6.0
# So many periods round the surface echo and the wall's, what is left is their own.
OWN_PERIODS = 1.5
# A fit is given up that leaves so many times what the best one does.
HOPELESS = 2.0
# Behind a surface echo of the other polarity a wall echo this part of the usual is none.
FAINT = 0.3
# Two candidates are of the same wall that lie nearer than this part of a period.
SAME = 0.2
# Noise is related over so many periods at most.
RELATED = 1.0


class Place(NamedTuple):
    """Where each record is looked at, in samples of it, shape (n,).

    Attributes
    ----------
    front, usual : ndarray
        Where the interface echo may be (NaN: nowhere), and where it usually is.
    ends : ndarray, int64
        Where the window ends: before the path repeats itself.
    noise : ndarray
        Standard deviation of the record's noise, in codes.
    """

    front: FloatArray
    usual: FloatArray
    ends: IntArray
    noise: FloatArray


class Evidence(NamedTuple):
    """What each fit says of itself, shape (n,); NaN where it did not come so far.

    Attributes
    ----------
    spacing, u_spacing : ndarray
        In samples.
    left : ndarray
        Standard deviation of what is left, in codes.
    rival, odds : ndarray
        Spacing of the likeliest other one, and twice the log odds against it.
    front, wall : ndarray
        Heights of the interface echo and of the first wall echo, in codes.
    top : ndarray
        Largest half-cycle of the wall echo, in codes.
    misfit : ndarray
        What of the first wall echo is left, share of its root mean square.
    other, by_noise, where : ndarray
        Largest echo that is left and what noise may leave, over the wall's; its spacing.
    """

    spacing: FloatArray
    u_spacing: FloatArray
    left: FloatArray
    rival: FloatArray
    odds: FloatArray
    front: FloatArray
    wall: FloatArray
    top: FloatArray
    misfit: FloatArray
    other: FloatArray
    by_noise: FloatArray
    where: FloatArray


class Other(NamedTuple):
    """An echo that is left, and what noise may leave, over the wall's; its spacing."""

    share: float
    by_noise: float
    where: float


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
def influence(columns: tuple[int, int], work: Work, out: AnyArray) -> None:
    """Write by how much the spacing follows each sample."""
    moved, shared, inverse = work.moved, work.shared, work.inverse
    by_begin, by_spacing = inverse[1, 0], inverse[1, 1]
    for j in range(out.size):
        out[j] = np.float32(by_begin) * moved[0, j] + np.float32(by_spacing) * moved[1, j]
    heights = by_begin * shared[0] + by_spacing * shared[1]
    take_off(out, work, columns, heights)


@compiled
def related_noise(residual: AnyArray, follows: AnyArray, lags: int, free: int) -> float:
    """Return the standard deviation of a weighted sum of noise related as the residual is.

    Not less than what unrelated noise of the same level gives: the fit takes up noise that is like
    an echo, so that what is left seems to hold less of it.
    """
    size = residual.size
    total, alone = 0.0, 0.0
    for lag in range(min(lags, size - 1)):
        noise = dot(residual[: size - lag], residual[lag:]) / free
        weight = dot(follows[: size - lag], follows[lag:])
        total += (1.0 if lag == 0 else 2.0) * noise * weight
        if lag == 0:
            alone = noise * weight
    return float(np.sqrt(max(total, alone)))


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
def other_echo(
    products: AnyArray,
    shape: AnyArray,
    heights: tuple[float, float],
    spaced: tuple[float, float],
    period: float,
) -> Other:
    """Return the largest echo that is left.

    ``products`` are of the wall's pulse with what is left. Looked at is all that comes after the
    surface echo, but for the wall's own first echo. ``heights`` are the wall's and the noise's,
    ``spaced`` the surface echo's place and the spacing.
    """
    wall, noise = heights
    place, spacing = spaced
    energy = dot(shape, shape)
    best, where = 0.0, 0.0
    for j in range(int(place + OWN_PERIODS * period) + 1, products.size):
        if abs(j - place - spacing) < OWN_PERIODS * period:
            continue
        if abs(products[j]) > best:
            best, where = abs(products[j]), j - place
    by_noise = OTHER_SIGMAS * noise / np.sqrt(energy)
    return Other(best / energy / abs(wall), by_noise / abs(wall), where)


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
def own_left(
    rest: AnyArray, weight: AnyArray, start: int, shape: AnyArray, height: float, half: int
) -> float:
    """Return what is left within ``half`` samples of an echo's top, as a share of the echo there.

    Both are root mean squares; NaN where nothing of the echo counts.
    """
    top = int(np.argmax(np.abs(shape)))
    left, energy = 0.0, 0.0
    for j in range(max(top - half, -start, 0), min(top + half + 1, shape.size, rest.size - start)):
        if weight[start + j] > 0.0:
            left += np.float64(rest[start + j]) ** 2
            energy += (height * np.float64(shape[j])) ** 2
    return np.sqrt(left / energy) if energy > 0.0 else np.nan


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
        most = MOST_GROWTH * abs(heights[1]) + noisy
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


@compiled
def room_of(size: int, longest: int) -> Work:
    """Return the room of a fit whose dense columns and derivatives are made with its window."""
    few = ECHOES + 2
    return Work(
        np.zeros(few, np.int64),
        np.empty((few, size), np.float32),
        np.empty((few, size), np.float32),
        np.empty((0, 0), np.float32),
        np.empty((few + DENSE, few + DENSE)),
        np.zeros(few + DENSE),
        np.empty(longest, np.float32),
        np.empty((0, 0), np.float32),
        np.empty((2, few + DENSE)),
        np.empty((2, 2)),
    )


@compiled
def work_in(room: Work, wide: int) -> Work:
    """Return the room of a fit of a window so wide."""
    return Work(
        room.starts,
        room.shapes,
        room.slopes,
        np.empty((DENSE, wide), np.float32),
        room.gram,
        room.heights,
        room.residual[:wide],
        np.empty((2, wide), np.float32),
        room.shared,
        room.inverse,
    )


class Scratch(NamedTuple):
    """Room of the search: products, how the spacing follows samples, scores, candidates."""

    products: FloatArray
    follows: AnyArray
    scores: FloatArray
    candidates: FloatArray


class Seen(NamedTuple):
    """One record: its window, clipping rails, where its interface echo may be, noise, and number.

    ``rails`` is of size 0 where nothing clips.
    """

    window: Window
    rails: AnyArray
    near: float
    noise: float
    row: int


class Chosen(NamedTuple):
    """The explanation that was taken: candidates, the best of them and the next, and its fit."""

    tried: Tried
    first: int
    second: int
    front: Front
    numbers: FloatArray
    found: Fitted


@compiled
def explain(
    seen: Seen,
    parts: tuple[Model, Comb, Stop],
    work: Work,
    scratch: Scratch,
    evidence: Evidence,
) -> np.uint32:
    """Write the evidence of one record; return the flag of one that holds no train, else 0."""
    model, comb, stop = parts
    window, wide = seen.window, seen.window.samples.size
    products = scratch.products[:wide]
    front = take_front(window, seen.rails, seen.near, seen.noise, parts, work)
    none = UNCOUPLED if front.height < 0.0 else NO_ECHO
    products_of(work.residual, comb.wall, model.before, products)
    score_spacings(products, front.place, np.sign(front.height), comb, scratch.scores)
    apart = APART * model.period
    count = best_spacings(scratch.scores, comb.least, apart, scratch.candidates)
    tried = try_candidates(window, model, front, scratch.candidates[:count], stop, work)
    first, second = two_best(tried, SAME * model.period, tried.lefts.min() / wide)
    if first < 0:
        return none
    numbers = tried.numbers[first].copy()
    found = fit_without_spikes(window, model, numbers, stop, work)
    if not np.isfinite(found.left):
        return none
    chosen = Chosen(tried, first, second, front, numbers, found)
    return write_evidence(seen, parts, work, scratch, chosen, evidence)


@compiled
def write_evidence(
    seen: Seen,
    parts: tuple[Model, Comb, Stop],
    work: Work,
    scratch: Scratch,
    chosen: Chosen,
    evidence: Evidence,
) -> np.uint32:
    """Write what speaks for and against a fit; return the flag of no train, else 0."""
    model, comb, _ = parts
    y, weight = seen.window
    row, wide, rest, heights = seen.row, y.size, work.residual, work.heights
    tried, first, second, front, numbers, found = chosen
    follows, products = scratch.follows[:wide], scratch.products[:wide]
    best, columns = found.left, (found.shapes, found.dense)
    free = max(int(weight.sum()) - found.shapes - found.dense - 2, 1)
    variance = max(best / free, 1e-300)
    influence(columns, work, follows)
    u = related_noise(rest, follows, int(np.ceil(RELATED * model.period)), free)
    own = np.sqrt(variance * dot(follows, follows))
    colour = max(u / max(own, 1e-300), 1.0)
    height_front, height_wall = heights[0], heights[1]
    alone = left_alone(y, work, follows)
    loudness = variance * colour * colour
    odds, rival = np.inf, np.nan
    if second >= 0:
        odds = (tried.lefts[second] - best) / loudness + tried.costs[second] - tried.costs[first]
        rival = tried.numbers[second, 1]
    evidence.spacing[row], evidence.u_spacing[row] = numbers[1], u
    evidence.left[row] = np.sqrt(variance)
    evidence.rival[row], evidence.odds[row] = rival, odds
    gain = (alone - best) / loudness - tried.costs[first]
    faint = abs(height_wall) < FAINT * model.strength * abs(height_front)
    little = gain < LEAST_GAIN or alone - best < LEAST_SHARE * alone
    if little or (height_front < 0.0 and faint):
        return UNCOUPLED if height_front < 0.0 else NO_ECHO
    products_of(rest, comb.wall, model.before, products)
    noisy, spaced = (height_wall, np.sqrt(variance)), (front.place, numbers[1])
    other = other_echo(products, comb.wall, noisy, spaced, model.period)
    evidence.other[row], evidence.by_noise[row] = other.share, other.by_noise
    evidence.where[row] = other.where
    half, shape = int(np.ceil(OWN_PERIODS * model.period)), work.shapes[1]
    evidence.misfit[row] = own_left(rest, weight, work.starts[1], shape, height_wall, half)
    evidence.top[row] = abs(height_wall) * np.abs(shape).max()
    evidence.front[row], evidence.wall[row] = height_front, height_wall
    return np.uint32(0)


@compiled
def left_alone(samples: AnyArray, work: Work, rest: AnyArray) -> float:
    """Return the energy that surface echo and baseline alone leave; ``rest`` is overwritten."""
    alone = Work(
        work.starts,
        work.shapes,
        work.slopes,
        work.dense,
        work.gram,
        work.heights,
        rest,
        work.moved,
        work.shared,
        work.inverse,
    )
    return solve_heights(samples, (1, WAVES), alone)


@compiled
def fit_records(
    records: Records,
    places: Place,
    model: Model,
    comb: Comb,
    evidence: Evidence,
    flags: FlagArray,
) -> None:
    """Fit every record of a block that no fatal flag stands on.

    ``evidence`` is overwritten. Flags, all fatal: ``NO_ECHO``, ``UNCOUPLED``,
    ``GATE_OUTSIDE_RECORD``.
    """
    block, zero, clips, longest = records
    size = model.front.shape[3]
    quiet, room = model.before // 2, room_of(size, longest)
    samples, weight = np.empty(longest, np.float32), np.empty(longest, np.float32)
    rails, scores = np.empty(longest, np.float32), np.empty(comb.energies.shape[0])
    scratch = Scratch(
        np.empty(longest), np.empty(longest, np.float32), scores, np.empty(CANDIDATES)
    )
    most = comb.least + STEP * scores.size + 1.0
    for each in evidence:
        each[:] = np.nan
    for row in range(block.shape[0]):
        if flags[row] & FATAL_BITS:
            continue
        begin = int(np.floor(places.front[row])) - model.before - quiet
        end = min(places.ends[row], block.shape[1])
        cut = max(-begin, 0)
        begin += cut
        wide = min(end - begin, longest)
        if cut > quiet or wide < size:
            flags[row] |= OUTSIDE
            continue
        window = Window(samples[:wide], weight[:wide])
        load_window(block[row], zero, clips, begin, window)
        clipped = load_rails(block[row], zero, clips, begin, rails[:wide])
        near, noise = places.front[row] - begin, places.noise[row]
        seen = Seen(window, rails[: wide if clipped else 0], near, noise, row)
        stop = Stop(comb.least - 1.0, most, np.inf, places.usual[row] - begin)
        work = work_in(room, wide)
        flags[row] |= explain(seen, (model, comb, stop), work, scratch, evidence)
