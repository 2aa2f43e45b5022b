"""The fast search: which spacings may explain a record at all, by products with the two pulses."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.kernels.arrays import AnyArray
from ascan.kernels.jit import compiled, compiled_sums
from ascan.kernels.subsample import cosine_height
from ascan.kernels.sums import dot
from ascan.whole_record.window import Window

# Spacings are tried so many samples apart, and trains that die away as usual, faster or slower.
STEP = 0.5
FADES = (1.0, 0.7)
# A third candidate that explains less than this part of what the first does is no alternative.
FAR_LESS = 0.3
# So many echoes of a train count.
SCORED = 6
# Two candidates lie at least this part of a period apart.
APART = 0.35
# A clipped echo's height is settled in so many rounds.
CLIPPED_ROUNDS = 4
# The interface echo is sought so many periods to each side of where it was found.
NEAR = 1.25
# Nothing thinner than this part of a period is told from an echo of one pulse.
THINNEST = 0.7


class Comb(NamedTuple):
    """Trains of every spacing that is tried, and the energies they have.

    Attributes
    ----------
    front, wall : ndarray, shape (size,), float32
        The pulses at a usual depth, time zero at ``before``.
    levels : ndarray, shape (fades, echoes)
        Heights of a train's echoes, the first 1.
    least : float
        Smallest spacing, in samples.
    energies : ndarray, shape (spacings, fades, 2)
        Of each train of height 1, and its product with the interface echo.
    turn : float
        Samples that every echo after the first comes late.
    front_energy : float
        Of the front pulse.
    """

    front: AnyArray
    wall: AnyArray
    levels: AnyArray
    least: float
    energies: AnyArray
    turn: float
    front_energy: float


def make_comb(
    front: AnyArray,
    wall: AnyArray,
    levels: AnyArray,
    spacings: tuple[float, float],
    turn: float,
) -> Comb:
    """Return the comb for spacings from the first to the second, in samples."""
    levels = levels[:SCORED]
    faded = np.stack([levels * fade ** np.arange(levels.size) for fade in FADES])
    count = max(int((spacings[1] - spacings[0]) / STEP) + 1, 1)
    energies = np.empty((count, len(FADES), 2))
    own = np.correlate(wall, wall, "full")[wall.size - 1 :].astype(np.float64)
    shared = np.correlate(wall, front, "full").astype(np.float64)
    train_energies(own, shared, faded, spacings[0], turn, energies)
    front, wall = front.astype(np.float32), wall.astype(np.float32)
    energy = float(np.sum(front.astype(np.float64) ** 2))
    return Comb(front, wall, faded, spacings[0], energies, turn, energy)


@compiled
def train_energies(
    own: AnyArray,
    shared: AnyArray,
    levels: AnyArray,
    least: float,
    turn: float,
    energies: AnyArray,
) -> None:
    """Write energy of every train and its product with an interface echo, from those of two pulses.

    ``own`` is the wall pulse's product with itself by samples apart; ``shared`` the wall's with the
    front's, from wall −(size − 1) early on.
    """
    size = own.size
    for s in range(energies.shape[0]):
        spacing = least + STEP * s
        for f in range(energies.shape[1]):
            energy, cross = 0.0, 0.0
            for n in range(levels.shape[1]):
                for m in range(n + 1):
                    apart = int(np.rint((n - m) * spacing + (turn if m == 0 and n > 0 else 0.0)))
                    if apart < size:
                        twice = 1.0 if m == n else 2.0
                        energy += twice * levels[f, n] * levels[f, m] * own[apart]
                late = int(np.rint((n + 1) * spacing))
                if late < size:
                    cross += levels[f, n] * shared[size - 1 - late]
            energies[s, f, 0], energies[s, f, 1] = energy, cross


@compiled_sums
def products_of(samples: AnyArray, pulse: AnyArray, before: int, out: AnyArray) -> None:
    """Write the product of a pulse with the samples, its time zero on each of them."""
    for j in range(samples.size):
        out[j] = product_at(samples, pulse, before, j)


@compiled
def product_at(samples: AnyArray, pulse: AnyArray, before: int, place: int) -> float:
    """Return the product of a pulse with the samples, its time zero on one of them."""
    low = max(0, before - place)
    high = max(min(pulse.size, samples.size - place + before), low)
    start = place - before
    return dot(samples[start + low : start + high], pulse[low:high])


@compiled
def crest_offset(before: float, here: float, after: float) -> float:
    """Return where between its neighbours the largest of three lies, by a parabola: −½ to ½."""
    bend = before - 2.0 * here + after
    if not bend < 0.0:
        return 0.0
    return min(max(0.5 * (before - after) / bend, -0.5), 0.5)


@compiled
def fit_at(
    window: Window, rails: AnyArray, pulse: tuple[AnyArray, int], place: int
) -> tuple[float, float]:
    """Return the height of a pulse on a sample and the energy that it explains.

    Where a sample clipped (``rails`` is not 0; of size 0, none did) the pulse is at fault only by
    what it lacks to the rail: which half-cycles clip tells them from each other where hardly a
    crest is left.
    """
    samples, weight = window
    shape, before = pulse
    low = max(0, before - place)
    high = max(min(shape.size, samples.size - place + before), low)
    start = place - before
    product, energy = 0.0, 0.0
    for j in range(low, high):
        weighted = np.float64(shape[j]) * weight[start + j]
        product += weighted * samples[start + j]
        energy += weighted * shape[j]
    if not energy > 0.0:
        return 0.0, 0.0
    height = product / energy
    explained = product * height
    if rails.size == 0:
        return height, explained
    for _ in range(CLIPPED_ROUNDS):
        own, square, any_short = product, energy, False
        for j in range(low, high):
            rail = np.float64(rails[start + j])
            if rail != 0.0 and abs(rail) > height * shape[j] * np.sign(rail):
                any_short = True
                own += rail * shape[j]
                square += np.float64(shape[j]) * shape[j]
        if not any_short:
            break
        height = own / square
    for j in range(low, high):
        rail = np.float64(rails[start + j])
        if rail != 0.0:
            lacking = max(abs(rail) - height * shape[j] * np.sign(rail), 0.0)
            explained += rail * rail - lacking * lacking
    # What the height differs by from the one that the samples alone would choose.
    explained -= energy * (height - product / energy) ** 2
    return height, explained


@compiled
def find_front(
    window: Window,
    rails: AnyArray,
    pulse: tuple[AnyArray, int],
    near: float,
    reach: int,
    upright: bool,
) -> tuple[float, float]:
    """Return where near a sample the interface echo's pulse fits best, and its height.

    ``upright`` tells that the echo cannot be turned over. Between two samples of a coarse record
    the pulse fits neither well, and half a cycle away, turned over, one of them better: what counts
    is the crest.
    Where it clips, a pick may be any of its crests: it is sought from the first that does.
    """
    samples = window.samples
    middle = min(max(int(near), 0), samples.size - 1)
    first, j = middle, middle
    while rails.size > 0 and j > 0 and first - j <= reach:
        if rails[j] != 0.0:
            first = j
        j -= 1
    best, height, place, offset = 0.0, 0.0, middle, 0.0
    # Half a sample beside a crest, so much more is the crest.
    most = 1.0 / np.cos(min(np.pi * NEAR / reach, 1.0))
    low, high = max(first - reach, 0), min(middle + reach + 1, samples.size)
    size, explains = fit_at(window, rails, pulse, low - 1)
    before = np.copysign(np.sqrt(max(explains, 0.0)), size)
    size, explains = fit_at(window, rails, pulse, low)
    here = np.copysign(np.sqrt(max(explains, 0.0)), size)
    for j in range(low, high):
        own = size
        size, explains = fit_at(window, rails, pulse, j + 1)
        after = np.copysign(np.sqrt(max(explains, 0.0)), size)
        if (
            abs(here) >= max(abs(before), abs(after))
            and here != 0.0
            and not (upright and own < 0.0)
        ):
            crest = min(cosine_height(before, here, after), most * abs(here))
            if crest > best:
                best, height, place = crest, own * crest / abs(here), j
                offset = crest_offset(before * before, here * here, after * after)
        before, here = here, after
    return place + offset, height


@compiled
def score_spacings(
    products: AnyArray, place: float, way: float, comb: Comb, scores: AnyArray
) -> None:
    """Write how much energy a train explains of what the interface echo leaves, for every spacing.

    ``products`` are of the wall's pulse with samples freed of the interface echo, whose height
    stays free beside the train's. Only trains of the usual polarity (``way``) against it count.
    """
    size, energies = products.size, comb.energies
    levels, least, turn, front_energy = comb.levels, comb.least, comb.turn, comb.front_energy
    for s in range(scores.size):
        spacing = least + STEP * s
        scores[s] = 0.0
        totals = (0.0, 0.0)
        for n in range(levels.shape[1]):
            where = int(place + (n + 1) * spacing + turn * n + 0.5)
            if where >= size:
                break
            product = products[where]
            totals = (totals[0] + levels[0, n] * product, totals[1] + levels[1, n] * product)
        for f in range(2):
            total = totals[f]
            if total * way <= 0.0:
                continue
            own, cross = energies[s, f, 0], energies[s, f, 1]
            determinant = front_energy * own - cross * cross
            if determinant <= 0.05 * front_energy * own:
                continue
            scores[s] = max(scores[s], front_energy * total * total / determinant)


@compiled
def best_spacings(scores: AnyArray, least: float, apart: float, candidates: AnyArray) -> int:
    """Write the spacings of the highest crests, ``apart`` samples from each other; return count.

    After the second, those that explain far less than the first are left out.
    """
    beside = int(apart / STEP)
    found, highest = 0, 0.0
    for c in range(candidates.size):
        best = int(np.argmax(scores))
        highest = max(highest, scores[best])
        if not scores[best] > (FAR_LESS * highest if c > 1 else 0.0):
            break
        offset = 0.0
        if 0 < best < scores.size - 1:
            offset = crest_offset(scores[best - 1], scores[best], scores[best + 1])
        candidates[c] = least + STEP * (best + offset)
        found += 1
        for s in range(max(best - beside, 0), min(best + beside + 1, scores.size)):
            scores[s] = 0.0
        # What leans on the crest taken is no crest of its own.
        s = best + beside + 1
        while s + 1 < scores.size and scores[s] > scores[s + 1]:
            scores[s] = 0.0
            s += 1
        s = best - beside - 1
        while s > 0 and scores[s] > scores[s - 1]:
            scores[s] = 0.0
            s -= 1
    return found
