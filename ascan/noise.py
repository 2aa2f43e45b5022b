"""The noise of each record, taken from a quiet stretch of the record itself.

Stretches of equal length are ranked by their spread; one near the quiet end of the ranking is
conditioned as the echoes are, and its level and the level of its slope are measured. Whatever
colour the noise has is thereby in both figures. Grain and other coherent noise beside the echoes is
not seen in a stretch that is quiet; it is larger, and no part of these figures.
"""

from __future__ import annotations

from statistics import NormalDist

import numpy as np

from ascan.arrays import AnyArray, FloatArray, IntArray
from ascan.conditioning import condition_rows
from ascan.kernels.jit import compiled_sums

STRETCH_SAMPLES = 64
# One stretch in ten is taken to be free of echoes, even in a record that an echo train fills.
RANK = 10


def stretch_length(samples: int) -> int:
    """Return the length of a stretch: 64 samples, less where the record is short."""
    return min(STRETCH_SAMPLES, max(8, samples // 4))


def selection_bias(samples: int) -> float:
    """Return what the chosen stretch of a record of even noise shows of its true level, on average.

    The spread of L samples scatters by 1 / √(2 (L − 1)) of itself, and a low rank r of n is picked:
    1 + z / √(2 (L − 1)) with z the normal quantile at (r + 0.625) / (n + 0.25) (Blom's position).
    The part of the noise inside a pass band follows the whole: its regression on it has slope 1.
    """
    length = stretch_length(samples)
    count = samples // length
    z = NormalDist().inv_cdf((count // RANK + 0.625) / (count + 0.25))
    return float(1.0 + z / np.sqrt(2.0 * (length - 1.0)))


@compiled_sums
def quiet_stretches(block: AnyArray, length: int, spread: AnyArray, origin: IntArray) -> None:
    """Write the first sample of each row's quiet stretch into ``origin``.

    ``spread``, shape (stretches,), is room to work in; sums are taken in its type.
    """
    count = spread.size
    kind = spread.dtype.type
    for row in range(block.shape[0]):
        for k in range(count):
            stretch = block[row, k * length : (k + 1) * length]
            total, squares = kind(0.0), kind(0.0)
            first = kind(stretch[0])
            for j in range(length):
                value = kind(stretch[j]) - first
                total += value
                squares += value * value
            spread[k] = squares - total * total / length
        # Ranks are low: finding the least a few times over is quicker than sorting.
        chosen = 0
        for _ in range(count // RANK + 1):
            chosen = int(np.argmin(spread))
            spread[chosen] = np.inf
        origin[row] = chosen * length


@compiled_sums
def spread_rows(
    trace: AnyArray,
    bias: float,
    floor: float,
    slope_floor: float,
    level: FloatArray,
    slope: FloatArray,
) -> None:
    """Write the standard deviation of each row and of its half central differences.

    Both are divided by ``bias``; ``floor`` and ``slope_floor`` (quantisation, in codes) are added
    in quadrature, so that neither output is ever 0.
    """
    scale = 1.0 / (bias * bias)
    width = trace.shape[1]
    for row in range(trace.shape[0]):
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


def measure_noise(
    block: AnyArray, zero_code: float, taps: FloatArray, step: float
) -> tuple[FloatArray, FloatArray]:
    """Return level and slope level of each row's noise.

    Parameters
    ----------
    block : ndarray, shape (n, samples), stored type
    zero_code, step : float
        In codes.
    taps : ndarray, shape (k + 1,), working type

    Returns
    -------
    level, slope : ndarray, shape (n,), float64
        Standard deviation of the conditioned noise, in codes, and of half the difference between
        its neighbours two samples apart, in codes per sample.
    """
    rows, samples = block.shape
    length = stretch_length(samples)
    origin = np.empty(rows, np.int64)
    quiet_stretches(block, length, np.empty(samples // length, taps.dtype), origin)
    trace = np.empty((rows, length), taps.dtype)
    condition_rows(block, zero_code, origin, taps, trace)
    level, slope = np.empty(rows), np.empty(rows)
    floor, slope_floor = quantisation_floor(np.asarray(taps, np.float64), step)
    spread_rows(trace, selection_bias(samples), floor, slope_floor, level, slope)
    return level, slope
