"""The noise of each record, taken from a quiet stretch of the record itself, round the gate.

Stretches of equal length are ranked by their spread; one near the quiet end of the ranking is
conditioned as the echoes are, and its level and the level of its slope are measured. Whatever
colour the noise has is thereby in both figures. Grain and other coherent noise beside the echoes is
not seen in a stretch that is quiet; it is larger, and no part of these figures.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import NormalDist

import numpy as np

from ascan.arrays import AnyArray, FloatArray, IntArray
from ascan.conditioning import condition_rows
from ascan.kernels.jit import compiled, compiled_sums

STRETCH_SAMPLES = 48
# One stretch in forty, or the quietest, is taken to be free of echoes, even beside an echo train.
RANK = 40
LEAST_STRETCHES = 8
CONSTANT = 1e-6


def stretch_length(samples: int) -> int:
    """Return the length of a stretch: 48 samples, less where the record is short; even."""
    return min(STRETCH_SAMPLES, max(4, 2 * (samples // 8)))


def selection_bias(count: int, length: int) -> float:
    """Return what the chosen one of ``count`` stretches shows of an even noise's level, on average.

    The spread of L samples scatters by 1 / √(2 (L − 1)) of itself, and a low rank r of n is picked:
    1 + z / √(2 (L − 1)) with z the normal quantile at (r + 0.625) / (n + 0.25) (Blom's position).
    Stretches that overlap by half are taken as that many apart: the error is within a few percent.
    The part of the noise inside a pass band follows the whole: its regression on it has slope 1.
    """
    z = NormalDist().inv_cdf((count // RANK + 0.625) / (count + 0.25))
    return float(1.0 + z / np.sqrt(2.0 * (length - 1.0)))


def bias_table(samples: int) -> FloatArray:
    """Return `selection_bias` for every number of stretches a record can hold, by that number."""
    length = stretch_length(samples)
    most = 2 * samples // length + 1
    return np.array([1.0] + [selection_bias(n, length) for n in range(1, most)])


@compiled_sums
def quiet_stretches(
    block: AnyArray,
    first: IntArray,
    last: IntArray,
    half: int,
    room: AnyArray,
    origin: IntArray,
    looked_at: IntArray,
) -> None:
    """Write the first sample of each row's quiet stretch, and how many were looked at.

    Stretches are ``2 half`` samples long and begin every ``half``. Looked at are those in the gate
    ``first``..``last`` and as far again on each side of it. Constant ones are passed over unless
    they are the majority: a blanked or padded part of a record says nothing of its noise, whereas a
    record in which most stretches are constant is quieter than its quantisation.

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
        constant = 0
        for k in range(count):
            total = room[0, k] + room[0, k + 1]
            spread[k] = room[1, k] + room[1, k + 1] - total * total / (2 * half)
            # Rounding leaves a constant stretch not quite at 0.
            if spread[k] <= CONSTANT * (room[1, k] + room[1, k + 1]):
                spread[k] = kind(0.0)
                constant += 1
        if 2 * constant < count:
            count = max(count - pass_over_constant(spread), 1)
        # Ranks are low: finding the least a few times over is quicker than sorting.
        chosen = 0
        for _ in range(count // RANK + 1):
            chosen = int(np.argmin(spread))
            spread[chosen] = np.inf
        origin[row] = (low + chosen) * half
        looked_at[row] = count


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


@compiled_sums
def spread_rows(
    trace: AnyArray,
    bias: FloatArray,
    floor: float,
    slope_floor: float,
    level: FloatArray,
    slope: FloatArray,
) -> None:
    """Write the standard deviation of each row and of its half central differences.

    Both are divided by ``bias``, shape (n,). ``floor`` and ``slope_floor`` (quantisation, in codes)
    are added in quadrature, so that neither output is ever 0.
    """
    width = trace.shape[1]
    for row in range(trace.shape[0]):
        scale = 1.0 / (bias[row] * bias[row])
        total, squares, slopes = 0.0, 0.0, 0.0
        for j in range(width):
            value = np.float64(trace[row, j])
            total += value
            squares += value * value
        for j in range(1, width - 1):
            half = 0.5 * (np.float64(trace[row, j + 1]) - np.float64(trace[row, j - 1]))
            slopes += half * half
        variance = max(squares - total * total / width, 0.0) / (width - 1)
        level[row] = np.sqrt(scale * variance + floor * floor)
        slope[row] = np.sqrt(scale * slopes / (width - 2) + slope_floor * slope_floor)


def quantisation_floor(taps: FloatArray, step: float) -> tuple[float, float]:
    """Return what one quantisation step leaves after the filter: in the level and in the slope.

    Rounding to steps of size q is noise of variance q²/12 (common practice), white to a good
    approximation; the filter weighs it by the root sum of squares of its taps, and half the
    difference of two outputs two samples apart by that of the differenced taps.
    """
    whole = np.concatenate([taps[:0:-1], taps])
    slope = 0.5 * np.convolve(whole, [1.0, 0.0, -1.0])
    one = step / np.sqrt(12.0)
    return float(one * np.linalg.norm(whole)), float(one * np.linalg.norm(slope))


def noise_correlation(taps: FloatArray) -> FloatArray:
    """Return how white noise after the filter correlates with itself 0, 1, 2 ... samples later."""
    whole = np.concatenate([taps[:0:-1], taps]).astype(np.float64)
    later = np.correlate(whole, whole, "full")[whole.size - 1 :]
    return np.asarray(later / later[0])


@dataclass(frozen=True, eq=False, slots=True)
class NoiseMeter:
    """What the noise of a record is measured with: filter, quantisation, table of biases.

    Attributes
    ----------
    taps : ndarray, shape (k + 1,), working type
    zero_code, step : float
        In codes.
    """

    taps: AnyArray
    zero_code: float
    step: float
    biases: dict[int, FloatArray] = field(default_factory=dict)

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
        length = stretch_length(samples)
        if samples not in self.biases:
            self.biases[samples] = bias_table(samples)
        origin, count = np.empty(rows, np.int64), np.empty(rows, np.int64)
        room = np.empty((3, 2 * samples // length), self.taps.dtype)
        quiet_stretches(block, first, last, length // 2, room, origin, count)
        trace = np.empty((rows, length), self.taps.dtype)
        condition_rows(block, self.zero_code, origin, self.taps, trace)
        level, slope = np.empty(rows), np.empty(rows)
        floor, slope_floor = quantisation_floor(np.asarray(self.taps, np.float64), self.step)
        spread_rows(trace, self.biases[samples][count], floor, slope_floor, level, slope)
        return level, slope
