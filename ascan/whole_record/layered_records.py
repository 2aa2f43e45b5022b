"""Each record's best explanation, its nearest alternative, and the evidence on both."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.base.flags import FATAL, Flag
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray, IntArray
from ascan.kernels.jit import compiled
from ascan.kernels.sums import dot
from ascan.whole_record.columns import Work
from ascan.whole_record.layered_candidates import (
    CANDIDATES,
    Front,
    Tried,
    fit_without_spikes,
    take_front,
    try_candidates,
    two_best,
)
from ascan.whole_record.layered_evidence import (
    OWN_PERIODS,
    RELATED,
    Evidence,
    influence,
    left_alone,
    own_left,
    related_noise,
    unexpected_echo,
)
from ascan.whole_record.layered_fit import (
    DENSE,
    ECHOES,
    Fitted,
    Model,
    Stop,
)
from ascan.whole_record.search import (
    APART,
    STEP,
    Comb,
    best_spacings,
    products_of,
    score_spacings,
)
from ascan.whole_record.window import (
    Records,
    Window,
    load_rails,
    load_window,
)

FATAL_BITS = np.uint32(FATAL)
NO_ECHO = np.uint32(Flag.NO_ECHO)
UNCOUPLED = np.uint32(Flag.UNCOUPLED)
OUTSIDE = np.uint32(Flag.GATE_OUTSIDE_RECORD)

# A train is there if it takes so many variances of what is left off the energy, and this part of
# what interface echo and baseline leave.
LEAST_GAIN, LEAST_SHARE = 44.0, 0.02
# Behind an interface echo of the other polarity a back-wall echo this part of the usual is none.
FAINT = 0.3
# Two candidates are of the same wall that lie nearer than this part of a period.
SAME = 0.2


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
    odds, alternative = np.inf, np.nan
    if second >= 0:
        odds = (tried.lefts[second] - best) / loudness + tried.costs[second] - tried.costs[first]
        alternative = tried.numbers[second, 1]
    evidence.spacing[row], evidence.u_spacing[row] = numbers[1], u
    evidence.left[row] = np.sqrt(variance)
    evidence.alternative[row], evidence.odds[row] = alternative, odds
    gain = (alone - best) / loudness - tried.costs[first]
    faint = abs(height_wall) < FAINT * model.strength * abs(height_front)
    little = gain < LEAST_GAIN or alone - best < LEAST_SHARE * alone
    if little or (height_front < 0.0 and faint):
        return UNCOUPLED if height_front < 0.0 else NO_ECHO
    products_of(rest, comb.wall, model.before, products)
    noisy, spaced = (height_wall, np.sqrt(variance)), (front.place, numbers[1])
    other = unexpected_echo(products, comb.wall, noisy, spaced, model.period)
    evidence.other[row], evidence.by_noise[row] = other.share, other.by_noise
    evidence.where[row] = other.where
    half, shape = int(np.ceil(OWN_PERIODS * model.period)), work.shapes[1]
    evidence.shape_residual[row] = own_left(rest, weight, work.starts[1], shape, height_wall, half)
    evidence.top[row] = abs(height_wall) * np.abs(shape).max()
    evidence.front[row], evidence.wall[row] = height_front, height_wall
    return np.uint32(0)


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
