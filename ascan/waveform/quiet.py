"""Quiet stretches of a record, and the bias of having chosen them."""

from __future__ import annotations

import functools
from statistics import NormalDist
from typing import NamedTuple

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray, IntArray
from ascan.kernels.jit import compiled, compiled_sums

LEAST_STRETCHES = 8

CONSTANT = 1e-6

# So many stretches are measured where there are as many that are quiet: one alone scatters by a
# fifth after a narrow filter. A stretch whose variance leaves that of the chosen one by less than
# so many of its standard deviations holds the same noise.
PIECES = 6

ALIKE_SIGMAS = 3.0

LEAST_BIAS = 0.5

# Noise whose quietest stretch has less than this variance, in steps squared, may show none at all
# in another stretch.
QUIETEST_SHOWN = 0.25


# One stretch in forty, or the quietest, is taken to be free of echoes, even beside an echo train.
RANK = 40


@functools.cache
def rank_quantiles(most: int) -> FloatArray:
    """Return where in a normal distribution the chosen one of n stretches lies, by n.

    A low rank r of n is picked: the quantile at (r + 0.625) / (n + 0.25) (Blom's position).
    Stretches that overlap by half are taken as that many apart.
    """
    normal = NormalDist()
    places = [(n // RANK + 0.625) / (n + 0.25) for n in range(1, most + 1)]
    return np.array([0.0] + [normal.inv_cdf(place) for place in places])


@compiled
def independent_samples(length: int, correlation: float) -> float:
    """Return how many independent samples a stretch is worth, neighbours correlating by r.

    L (1 − r²) / (1 + r²) (common practice for a first-order process).
    """
    square = min(max(correlation, 0.0), 0.99) ** 2
    return max(length * (1.0 - square) / (1.0 + square), 4.0)


@compiled
def selection_bias(quantile: float, length: int, correlation: float) -> float:
    """Return what the chosen stretch of an even noise shows of its true level, on average.

    The spread of L independent samples scatters by 1 / √(2 L) of itself. The part of the noise
    inside a pass band follows the whole: slope 1.
    """
    independent = independent_samples(length, correlation)
    return float(max(1.0 + quantile / np.sqrt(2.0 * independent), LEAST_BIAS))


class Stretches(NamedTuple):
    """What the stretches of a record are that noise is measured in.

    Attributes
    ----------
    half : int
        Half their length, in samples.
    quantiles : ndarray
        Of the chosen one among so many (`rank_quantiles`).
    gated_only : bool
    beside_halves : int
        Half stretches on each side that the filter reaches into.
    """

    half: int
    quantiles: FloatArray
    gated_only: bool
    beside_halves: int


class Quiet(NamedTuple):
    """Quiet stretches of each row, and the bias of having chosen them.

    Attributes
    ----------
    origin : ndarray, shape (n, PIECES)
        First sample of each; −1 where there are fewer. Those after the first do not overlap, and
        are the first that are alike: they are not chosen for being quiet.
    bias : ndarray, shape (n,)
    """

    origin: IntArray
    bias: FloatArray


@compiled_sums
def quiet_stretches(
    block: AnyArray,
    gate: tuple[IntArray, IntArray],
    stretches: Stretches,
    steps: FloatArray,
    room: AnyArray,
    quiet: Quiet,
) -> None:
    """Write the first sample of each row's quiet stretches, and the bias of having chosen them.

    Stretches are ``2 half`` samples long and begin every ``half``. Looked at are those in the gate
    (its first sample, and the one after its last) and as far again on each side of it. Constant
    ones are passed over unless they are the majority, or what is left is quieter than one
    quantisation step: a blanked or padded part of a record says nothing of its noise, whereas a
    record in which many stretches are constant and few differ by a step is quieter than its
    quantisation. Of a record that is ``gated_only`` they are always passed over; where no other is
    left, the loudest stands in, which holds the echo: a noise that cannot be seen must not be taken
    for small.

    ``room``, shape (3, half stretches of a record), is room to work in; sums are taken in its type.
    """
    first, last = gate
    half, quantiles, gated_only, beside_halves = stretches
    origin, bias = quiet
    kind = room.dtype.type
    whole = block.shape[1] // half
    for row in range(block.shape[0]):
        beside = max(last[row] - first[row], LEAST_STRETCHES * half)
        low = min(max((first[row] - beside) // half, 0), max(whole - LEAST_STRETCHES, 0))
        high = min(max((last[row] + beside) // half, low + LEAST_STRETCHES), whole)
        count = high - low - 1
        for k in range(count + 1):
            stretch = block[row, (low + k) * half : (low + k + 1) * half]
            total, squares = kind(0.0), kind(0.0)
            start = kind(block[row, low * half])
            for j in range(half):
                value = kind(stretch[j]) - start
                total += value
                squares += value * value
            room[0, k], room[1, k] = total, squares
        spread = room[2, :count]
        whole_count = count
        constant = 0
        for k in range(count):
            total = room[0, k] + room[0, k + 1]
            spread[k] = room[1, k] + room[1, k + 1] - total * total / (2 * half)
            # Rounding leaves a constant stretch not quite at 0.
            if spread[k] <= CONSTANT * (room[1, k] + room[1, k + 1]):
                spread[k] = kind(0.0)
                constant += 1
        loudest = int(np.argmax(spread))
        if gated_only or (
            2 * constant < count and is_loud(spread, 2 * half * QUIETEST_SHOWN * steps[row] ** 2)
        ):
            count -= pass_over_constant(spread)
        unseen = gated_only and count == 0
        count = max(count, 1)
        # Ranks are low: finding the least a few times over is quicker than sorting.
        chosen = 0
        least = kind(0.0)
        for _ in range(count // RANK + 1):
            chosen = int(np.argmin(spread))
            least = spread[chosen]
            spread[chosen] = np.inf
        if unseen:
            chosen = loudest
        origin[row] = -1
        origin[row, 0] = (low + chosen) * half
        stretch = block[row, origin[row, 0] : origin[row, 0] + 2 * half]
        correlation = neighbour_correlation(stretch)
        quantile = quantiles[min(count, quantiles.size - 1)]
        bias[row] = selection_bias(quantile, 2 * half, correlation)
        if unseen or not least > 0.0:
            continue
        # The variance of a stretch scatters by √(2 / L) of itself, L being its independent samples.
        alike = 1.0 + ALIKE_SIGMAS * np.sqrt(2.0 / independent_samples(2 * half, correlation))
        limit = alike * least / (bias[row] * bias[row])
        found, quiet_run, after = 1, 0, 0
        for k in range(whole_count):
            # The filter reaches into what is beside a stretch: that must be quiet, too.
            quiet_run = quiet_run + 1 if spread[k] <= limit or k == chosen else 0
            place = k - beside_halves
            if quiet_run > 2 * beside_halves and place >= after and abs(place - chosen) > 1:
                origin[row, found] = (low + place) * half
                found, after = found + 1, place + 2
                if found == PIECES:
                    break
        squares = bias[row] * bias[row] + found - 1
        if found > 1 and not has_quiet_sides(spread[:whole_count], chosen, beside_halves, limit):
            # What is beside it comes through the filter: the others will do.
            found -= 1
            origin[row, 0] = origin[row, found]
            origin[row, found] = -1
            squares = np.float64(found)
        bias[row] = np.sqrt(squares / found)


@compiled
def has_quiet_sides(spread: AnyArray, chosen: int, beside: int, limit: float) -> bool:
    """Tell whether what lies within ``beside`` half stretches of the chosen one is quiet, too."""
    for k in range(max(chosen - beside, 0), min(chosen + beside + 1, spread.size)):
        if k != chosen and spread[k] > limit:
            return False
    return True


@compiled_sums
def neighbour_correlation(stretch: AnyArray) -> float:
    """Return how each sample of a stretch correlates with the next; 0 for a constant one."""
    mean = 0.0
    for j in range(stretch.size):
        mean += np.float64(stretch[j])
    mean /= stretch.size
    products, squares = 0.0, 0.0
    for j in range(stretch.size - 1):
        here, following = np.float64(stretch[j]) - mean, np.float64(stretch[j + 1]) - mean
        products += here * following
        squares += 0.5 * (here * here + following * following)
    return products / squares if squares > 0.0 else 0.0


@compiled
def is_loud(spread: AnyArray, limit: float) -> bool:
    """Tell whether the quietest stretch that is not constant is louder than a limit."""
    least = np.inf
    for k in range(spread.size):
        if spread[k] > 0.0:
            least = min(least, np.float64(spread[k]))
    return limit < least < np.inf


@compiled
def pass_over_constant(spread: AnyArray) -> int:
    """Set the spread of constant stretches, and of those that one reaches into, to infinity.

    Returns how many were set. A stretch beside a constant one may be constant in part.
    """
    constant = spread == 0.0
    passed = 0
    for k in range(spread.size):
        beside = (k > 0 and constant[k - 1]) or (k + 1 < spread.size and constant[k + 1])
        if constant[k] or beside:
            spread[k] = np.inf
            passed += 1
    return passed
