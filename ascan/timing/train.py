"""A train of equally spaced echoes fitted as one: the wall's own, overlapping or not.

Echoes of a thin wall run into each other, and no single one of them can be timed. What the whole
train looks like is known but for five numbers: when it begins, its spacing, its height, by how much
each echo is weaker than the one before, and how large an interface echo stands one spacing ahead.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.base.flags import FATAL, Flag
from ascan.finding.rows import Trace
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray
from ascan.kernels.jit import compiled
from ascan.timing.matched import dot_at
from ascan.timing.train_energy import (
    DECAYS,
    MOST_ECHOES,
    correlations,
    crests_of,
    explained,
    train_energies,
    train_energy,
)
from ascan.timing.train_fit import PARAMETERS, Room, fit_train, heights_of, model_of
from ascan.waveform.template import PLACES

FATAL_BITS = np.uint32(FATAL)
NO_ECHO = np.uint32(Flag.NO_ECHO)
UNSURE = np.uint32(Flag.CYCLE_UNCERTAIN)
UNEVEN = np.uint32(Flag.UNEVEN_SPACING)

# A train is short that has no more echoes.
SHORT_TRAIN = 16
# Beginnings are tried an eighth of a period to each side of a crest, too.
MOST_CRESTS = 48
# So many of the best spacings, a quarter of a period apart, are fitted.
CANDIDATES = 5
BEGINS = 3
# An interface echo is there if it explains so many times the noise's variance.
INTERFACE_GAIN = 12.0
# Two spacings are told apart where the energies they leave differ by this many variances of the
# noise (four standard deviations of a Gaussian log-likelihood ratio), and by this part of the
# train's energy: no template is exact.
TOLD_APART, TOLD_APART_SHARE = 16.0, 0.01
# A train that leaves more of its own energy than this is none.
MOST_LEFT = 0.5
# A train so much as high as the fitted one, and so many deviations of noise, between its echoes.
MOST_BETWEEN, BETWEEN_SIGMAS = 0.3, 5.0
# A fit that leaves so many times the noise's energy may be of a train that ends early.
CUT_SHORT = 1.3


class Model(NamedTuple):
    """What trains are made of, and which are sought.

    Attributes
    ----------
    bank : pair of ndarray
        `ascan.waveform.template.Template.shapes` and ``slopes``.
    spacings : tuple of float
        Least and most, in samples.
    period : float
        In samples.
    colour : float
        By how much more than white noise this noise moves an echo.
    """

    bank: tuple[FloatArray, FloatArray]
    spacings: tuple[float, float]
    period: float
    colour: float


class Search(NamedTuple):
    """What the search for a train compares with.

    Attributes
    ----------
    own : ndarray
        The template's product with itself so many samples apart.
    energies : ndarray, shape (spacings, decays, 2)
        Of `train_energies`.
    """

    own: FloatArray
    energies: FloatArray


class TrainPicks(NamedTuple):
    """Begin and spacing of the trains of n rows, in samples, with their standard uncertainties."""

    position: FloatArray
    u_position: FloatArray
    spacing: FloatArray
    u_spacing: FloatArray


@compiled
def best_begins(
    samples: AnyArray,
    numbers: FloatArray,
    train: Model,
    echoes: int,
    room: Room,
    begins: FloatArray,
) -> None:
    """Write where a train of this spacing and decay may begin, the best places first.

    Where echoes overlap, the crest that seems to begin a train may be any of its first, or none.
    Places a sixth of a period apart are looked at, from two and a half spacings before to one and a
    half after, heights by least squares; those taken are a quarter of a period apart.
    """
    jacobian = room.jacobian
    trial = numbers.copy()
    step = train.period / 6.0
    low = numbers[0] - 2.5 * numbers[1] - train.period
    count = int((4.0 * numbers[1] + 2.0 * train.period) / step) + 1
    cost = np.empty(count)
    for n in range(count):
        trial[0], trial[2], trial[4] = low + n * step, 1.0, 1.0
        form = (True, echoes)
        model_of(trial, samples.size, train.bank, form, room)
        height, front = heights_of(samples, jacobian, True)
        cost[n] = 0.0
        for j in range(samples.size):
            off = np.float64(samples[j]) - height * jacobian[2, j] - front * jacobian[4, j]
            cost[n] += off * off
    for k in range(begins.size):
        best = int(np.argmin(cost))
        begins[k] = low + best * step
        cost[max(best - 1, 0) : best + 2] = np.inf


@compiled
def fit_from(
    samples: AnyArray,
    numbers: FloatArray,
    train: Model,
    asked: tuple[int, float],
    room: Room,
    covariance: FloatArray,
) -> tuple[float, bool]:
    """Fit trains of a spacing from all likely begins, with and without an interface echo.

    ``numbers`` is the start, and is overwritten by the best; returned are the energy it leaves and
    whether it has an interface echo. ``asked`` is how many echoes it has, and by how much an
    interface echo has to earn its place.
    """
    echoes, gain = asked
    start, trial = numbers.copy(), numbers.copy()
    begins, found = np.empty(BEGINS), covariance.copy()
    best_begins(samples, start, train, echoes, room, begins)
    least, with_front = np.inf, False
    for k in range(3 * BEGINS):
        front = k % 3 == 1
        trial[:] = start
        # What looks like an interface echo may be the first of the train.
        trial[0] = begins[k // 3] - (start[1] if k % 3 == 2 else 0.0)
        left = fit_train(samples, trial, train.bank, (front, echoes), room, found)
        left += gain if front else 0.0
        if left < least:
            least, with_front = left, front
            numbers[:] = trial
            covariance[:] = found
    return least, with_front


@compiled
def starts_of(
    products: FloatArray,
    search: Search,
    window: tuple[int, int],
    train: Model,
    starts: FloatArray,
) -> int:
    """Write the best starts, shape (CANDIDATES, 3): begin, spacing, decay; return how many."""
    own, energies = search
    least_spacing, period = train.spacings[0], train.period
    crests = np.empty(3 * MOST_CRESTS, np.int64)
    beside = max(int(period / 8.0), 1)
    count = crests_of(products, window[0], window[1], beside, crests)
    steps = energies.shape[0]
    score = np.zeros(steps)
    begin, decays = np.zeros(score.size), np.zeros(score.size)
    for n in range(steps):
        spacing = least_spacing + 0.5 * n
        for d in range(len(DECAYS)):
            decay = DECAYS[d]
            for k in range(count):
                if crests[k] < window[0] or crests[k] >= window[1]:
                    continue
                found = explained(products, own, crests[k], spacing, decay, energies[n, d])
                if found > score[n]:
                    score[n], begin[n], decays[n] = found, crests[k], decay
    apart = int(0.5 * period)
    taken = 0
    for c in range(CANDIDATES):
        best = int(np.argmax(score))
        if not score[best] > 0.0:
            break
        starts[c, 0], starts[c, 1], starts[c, 2] = (
            begin[best],
            least_spacing + 0.5 * best,
            decays[best],
        )
        taken += 1
        score[max(best - apart, 0) : best + apart + 1] = 0.0
    return taken


@compiled
def between_echoes(
    samples: AnyArray,
    numbers: FloatArray,
    bank: tuple[FloatArray, FloatArray],
    form: tuple[bool, int],
    own: FloatArray,
    room: Room,
) -> tuple[float, float]:
    """Return how high a train stands between a fitted one's echoes, over its own height.

    And by how much it would stand so for noise of level 1. Half-way or at thirds, whichever is
    more: there the wall's other echoes are if every second or third was fitted. The place ahead of
    the first is left out: the interface echo leaves most there.
    """
    model = room.model
    model_of(numbers, samples.size, bank, form, room)
    shape, energy = bank[0][PLACES // 2], np.empty(2)
    rest = np.empty(samples.size, samples.dtype)
    for j in range(samples.size):
        rest[j] = samples[j] - model[j]
    begin, spacing, height, decay, _ = numbers
    largest, level = 0.0, np.inf
    for parts in (2, 3):
        train_energy(own, spacing / parts, decay ** (1.0 / parts), energy)
        total, weight = 0.0, 1.0
        for k in range(parts * MOST_ECHOES):
            place = int(np.rint(begin + k * spacing / parts))
            if place >= samples.size or weight < 0.01:
                break
            if k % parts != 0 and place >= 0:
                total += weight * dot_at(rest, place, shape)
            weight *= decay ** (1.0 / parts)
        # Those that were fitted are no part of it.
        share = 1.0 - 1.0 / parts
        found = abs(total / (share * energy[0] * height))
        if found > largest:
            largest, level = found, 1.0 / (np.sqrt(share * energy[0]) * abs(height))
    return largest, level


@compiled
def fit_trains(trace: Trace, train: Model, picks: TrainPicks, flags: FlagArray) -> None:
    """Write begin and spacing of the train in each row's gate.

    Notes
    -----
    Flags: ``NO_ECHO`` where no train explains half of its own energy; ``CYCLE_UNCERTAIN`` where
    another spacing explains the record about as well; ``UNEVEN_SPACING`` where what is left stands
    far above the noise (an echo more or less, or no even train), or is a train between this one's
    echoes (every second or third was fitted).
    """
    bank, spacings, period, colour = train
    shape = bank[0][PLACES // 2]
    half = (shape.size - 1) // 2
    own = np.empty(shape.size)
    for lag in range(own.size):
        own[lag] = shape[lag:] @ shape[: shape.size - lag]
    search = Search(own, train_energies(own, spacings))
    width = trace.samples.shape[1]
    products = np.empty(width)
    room = Room(np.empty((PARAMETERS, width)), np.empty(width))
    starts, covariance = np.empty((CANDIDATES, 3)), np.empty((PARAMETERS, PARAMETERS))
    numbers, kept_numbers = np.empty(PARAMETERS), np.zeros(PARAMETERS)
    for row in range(trace.first.size):
        begin, stop = trace.first[row], trace.last[row]
        if stop - begin < 2 * half or flags[row] & FATAL_BITS:
            if not flags[row] & FATAL_BITS:
                flags[row] |= NO_ECHO
            continue
        samples, noise = trace.samples[row], trace.noise[row]
        correlations(samples, shape, products)
        count = starts_of(products, search, (begin, stop), train, starts)
        variance = noise * noise
        least, alternative, with_front, kept_echoes = np.inf, np.inf, False, MOST_ECHOES
        u_begin, u_apart = np.nan, np.nan
        gain = INTERFACE_GAIN * variance
        for c in range(count):
            numbers[:] = starts[c, 0] - begin, starts[c, 1], 0.0, starts[c, 2], 0.0
            cost, front = fit_from(
                samples[begin:stop], numbers, train, (MOST_ECHOES, gain), room, covariance
            )
            if not spacings[0] <= numbers[1] <= spacings[1]:
                continue
            same = abs(numbers[1] - kept_numbers[1]) < 0.25 * period
            if cost < least:
                if not same:
                    alternative = least
                least, with_front = cost, front
                kept_numbers[:] = numbers
                u_begin, u_apart = np.sqrt(covariance[0, 0]), np.sqrt(covariance[1, 1])
            elif not same:
                alternative = min(alternative, cost)
        free = stop - begin - (PARAMETERS if with_front else PARAMETERS - 1)
        if least > CUT_SHORT * variance * free:
            # More than noise is left: the train may end early.
            whole_spacing, whole_begin = kept_numbers[1], kept_numbers[0]
            for echoes in range(2, SHORT_TRAIN):
                numbers[:] = whole_begin, whole_spacing, 0.0, kept_numbers[3], 0.0
                cost, front = fit_from(
                    samples[begin:stop], numbers, train, (echoes, gain), room, covariance
                )
                if cost + TOLD_APART * variance < least:
                    least, with_front, kept_echoes = cost, front, echoes
                    kept_numbers[:] = numbers
                    u_begin, u_apart = np.sqrt(covariance[0, 0]), np.sqrt(covariance[1, 1])
        between, level = between_echoes(
            samples[begin:stop], kept_numbers, bank, (with_front, kept_echoes), own, room
        )
        if between > max(MOST_BETWEEN, BETWEEN_SIGMAS * noise * colour * level):
            flags[row] |= UNEVEN
        energy = 0.0
        for j in range(begin, stop):
            energy += np.float64(samples[j]) ** 2
        if not least < MOST_LEFT * energy:
            flags[row] |= NO_ECHO
            continue
        if alternative - least < max(TOLD_APART * variance * colour**2, TOLD_APART_SHARE * energy):
            flags[row] |= UNSURE
        if least > 4.0 * variance * free and least > 0.1 * energy:
            flags[row] |= UNEVEN
        picks.position[row], picks.spacing[row] = begin + kept_numbers[0], kept_numbers[1]
        picks.u_position[row] = noise * colour * u_begin
        picks.u_spacing[row] = noise * colour * u_apart
