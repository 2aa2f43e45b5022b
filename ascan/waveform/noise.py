"""The noise of each record, taken from quiet stretches of the record itself, round the gate.

Stretches of equal length are ranked by their spread; one near the quiet end of the ranking, and up
to five more that are about as quiet, are conditioned as the echoes are, and their level and the
level of their slope are measured. Whatever colour the noise has is thereby in both figures. Grain
and other coherent noise beside the echoes is not seen in a stretch that is quiet; it is larger, and
no part of these figures.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, field
from statistics import NormalDist

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray, IntArray
from ascan.kernels.fir import whole_taps
from ascan.kernels.jit import compiled, compiled_sums
from ascan.waveform.conditioning import condition_pieces

STRETCH_SAMPLES = 48
# One stretch in forty, or the quietest, is taken to be free of echoes, even beside an echo train.
RANK = 40
LEAST_STRETCHES = 8
CONSTANT = 1e-6
# So many stretches are measured where there are as many that are quiet: one alone scatters by a
# fifth after a narrow filter. A stretch whose variance leaves that of the chosen one by less than
# so many of its standard deviations holds the same noise.
PIECES = 6
ALIKE_SIGMAS = 3.0
LEAST_BIAS = 0.5
# In units of a step's variance q² / 12: noise that measures more than SHOWN (half a step) shows its
# quantisation in full, one that measures less than HIDDEN (a third of a step) not at all.
SHOWN, HIDDEN = 4.0, 1.2
# Noise whose quietest stretch has less than this variance, in steps squared, may show none at all
# in another stretch.
QUIETEST_SHOWN = 0.25
# The variance of the size of white noise, and of its slope, as a share of that of the noise itself
# (half-normal distribution).
HALF_NORMAL = 1.0 - 2.0 / np.pi
# A stretch holds at least so many periods of the probe, whatever the sample rate.
STRETCH_PERIODS = 3.0


def stretch_length(samples: int, period: float) -> int:
    """Return the length of a stretch: 48 samples or three periods, less in a short record; even."""
    wanted = max(STRETCH_SAMPLES, 2 * int(np.ceil(0.5 * STRETCH_PERIODS * period)))
    return min(wanted, max(8, 2 * (samples // 16)))


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


@compiled_sums
def quiet_stretches(
    block: AnyArray,
    first: IntArray,
    last: IntArray,
    half: int,
    quantiles: FloatArray,
    gated_only: bool,
    beside_halves: int,
    steps: FloatArray,
    room: AnyArray,
    origin: IntArray,
    bias: FloatArray,
) -> None:
    """Write the first sample of each row's quiet stretches, and the bias of having chosen them.

    ``origin``, shape (n, PIECES), is −1 where there are fewer; those after the first do not
    overlap, and are the first that are alike, with ``beside_halves`` half stretches on each side:
    they are not chosen for being quiet.

    Stretches are ``2 half`` samples long and begin every ``half``. Looked at are those in the gate
    ``first``..``last`` and as far again on each side of it. Constant ones are passed over unless
    they are the majority, or what is left is quieter than one quantisation step: a blanked or
    padded part of a record says nothing of its noise, whereas a record in which many stretches are
    constant and few differ by a step is quieter than its quantisation. Of a record that
    is ``gated_only`` they are always passed over; where no other is left, the loudest stands in,
    which holds the echo: a noise that cannot be seen must not be taken for small.

    ``room``, shape (3, half stretches of a record), is room to work in; sums are taken in its type.
    """
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
        quiet = kind(0.0)
        for _ in range(count // RANK + 1):
            chosen = int(np.argmin(spread))
            quiet = spread[chosen]
            spread[chosen] = np.inf
        if unseen:
            chosen = loudest
        origin[row] = -1
        origin[row, 0] = (low + chosen) * half
        stretch = block[row, origin[row, 0] : origin[row, 0] + 2 * half]
        correlation = neighbour_correlation(stretch)
        quantile = quantiles[min(count, quantiles.size - 1)]
        bias[row] = selection_bias(quantile, 2 * half, correlation)
        if unseen or not quiet > 0.0:
            continue
        # The variance of a stretch scatters by √(2 / L) of itself, L being its independent samples.
        alike = 1.0 + ALIKE_SIGMAS * np.sqrt(2.0 / independent_samples(2 * half, correlation))
        limit = alike * quiet / (bias[row] * bias[row])
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
def float_steps(block: AnyArray, step: float, steps: FloatArray) -> None:
    """Write the quantisation step of each floating-point row: its least difference of neighbours.

    Codes that were stored as floating point keep their step; a continuous signal has next to none.
    Never below ``step``.
    """
    for row in range(block.shape[0]):
        samples = block[row]
        least = np.inf
        for j in range(1, samples.size):
            change = abs(np.float64(samples[j]) - np.float64(samples[j - 1]))
            if 0.0 < change < least:
                least = change
        steps[row] = max(least, step) if least < np.inf else step


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


@compiled
def with_quantisation(variance: float, least: float) -> float:
    """Return a standard deviation that holds the quantisation's share, ``least``, once.

    Noise of more than half a step shows it already in what is measured; quieter noise is rounded
    away, and shows less than there is.
    """
    share = (SHOWN - variance / least) / (SHOWN - HIDDEN) if least > 0.0 else 0.0
    return np.float64(np.sqrt(variance + least * min(max(share, 0.0), 1.0)))


@compiled_sums
def spread_rows(
    trace: AnyArray,
    origin: IntArray,
    bias: FloatArray,
    steps: FloatArray,
    floor: float,
    slope_floor: float,
    rectified: bool,
    level: FloatArray,
    slope: FloatArray,
) -> None:
    """Write the standard deviation of each row's stretches and of their half central differences.

    ``trace``, shape (n, PIECES, length), holds them; those whose ``origin`` is −1 do not count.
    Of a ``rectified`` row it is that of the noise before: its size has the same mean square about
    zero (where peaks are held a larger one), and white noise a slope that is known to be smaller.

    Both are divided by ``bias``, shape (n,). ``floor`` and ``slope_floor`` (for a quantisation
    step of 1) times ``steps`` (codes, shape (n,)) are added in quadrature where the measured noise
    does not hold them yet, so that neither output is ever 0.
    """
    width = trace.shape[2]
    for row in range(trace.shape[0]):
        variance, slopes, pieces = 0.0, 0.0, 0
        for piece in range(trace.shape[1]):
            if origin[row, piece] < 0:
                break
            pieces += 1
            samples = trace[row, piece]
            total, squares = 0.0, 0.0
            for j in range(width):
                value = np.float64(samples[j])
                total += value
                squares += value * value
            for j in range(1, width - 1):
                half = 0.5 * (np.float64(samples[j + 1]) - np.float64(samples[j - 1]))
                slopes += half * half
            if rectified:
                variance += squares / width
            else:
                variance += max(squares - total * total / width, 0.0) / (width - 1)
        scale = 1.0 / (bias[row] * bias[row] * pieces)
        if rectified:
            slopes /= HALF_NORMAL
        level[row] = with_quantisation(scale * variance, (floor * steps[row]) ** 2)
        slope[row] = with_quantisation(
            scale * slopes / (width - 2), (slope_floor * steps[row]) ** 2
        )


def quantisation_floor(taps: FloatArray) -> tuple[float, float]:
    """Return what a quantisation step of 1 leaves after the filter: in the level, in the slope.

    Rounding to steps of size q is noise of variance q²/12 (common practice), white to a good
    approximation; the filter weighs it by the root sum of squares of its taps, and half the
    difference of two outputs two samples apart by that of the differenced taps.
    """
    whole = whole_taps(taps)
    slope = 0.5 * np.convolve(whole, [1.0, 0.0, -1.0])
    one = 1.0 / np.sqrt(12.0)
    return float(one * np.linalg.norm(whole)), float(one * np.linalg.norm(slope))


def noise_correlation(taps: FloatArray) -> FloatArray:
    """Return how white noise after the filter correlates with itself 0, 1, 2 ... samples later."""
    whole = whole_taps(taps).astype(np.float64)
    later = np.correlate(whole, whole, "full")[whole.size - 1 :]
    return np.asarray(later / later[0])


@dataclass(frozen=True, eq=False, slots=True)
class NoiseMeter:
    """What the noise of a record is measured with: filter, quantisation, period.

    Attributes
    ----------
    taps : ndarray, shape (k + 1,), working type
    zero_code, step : float
        In codes.
    period : float
        Of the probe's nominal frequency, in samples.
    rectified, gated_only : bool
        As in `ascan.waveform.recording.Recording`.
    """

    taps: AnyArray
    zero_code: float
    step: float
    period: float
    rectified: bool = False
    gated_only: bool = False
    floor: tuple[float, float] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "floor", quantisation_floor(self.taps))

    def measure(
        self, block: AnyArray, first: IntArray, last: IntArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return level and slope level of each row's noise round its gate.

        Parameters
        ----------
        block : ndarray, shape (n, samples), stored type
        first, last : ndarray, shape (n,)
            The gate: first sample, and the one after the last.

        Returns
        -------
        level, slope : ndarray, shape (n,), float64
            Standard deviation of the conditioned noise, in codes, and of half the difference
            between its neighbours two samples apart, in codes per sample.
        """
        rows, samples = block.shape
        length = stretch_length(samples, self.period)
        steps = np.full(rows, self.step)
        if block.dtype.kind == "f":
            float_steps(block, self.step, steps)
        origin, bias = np.empty((rows, PIECES), np.int64), np.empty(rows)
        room = np.empty((3, 2 * samples // length), self.taps.dtype)
        quantiles = rank_quantiles(room.shape[1])
        beside = -(-(self.taps.size - 1) // (length // 2))
        quiet_stretches(
            block,
            first,
            last,
            length // 2,
            quantiles,
            self.gated_only,
            beside,
            steps,
            room,
            origin,
            bias,
        )
        trace = np.empty((rows, PIECES, length), self.taps.dtype)
        condition_pieces(block, self.zero_code, origin, self.taps, trace)
        level, slope = np.empty(rows), np.empty(rows)
        spread_rows(trace, origin, bias, steps, *self.floor, self.rectified, level, slope)
        return level, slope
