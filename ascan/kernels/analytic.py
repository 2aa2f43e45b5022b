"""The analytic signal of a few samples: quadrature by a finite filter, envelope from both."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray, IntArray
from ascan.kernels.jit import compiled

# The envelope is looked at every quarter of a period, then climbed.
COARSE = 4.0


def quadrature_taps(half: int) -> FloatArray:
    """Return the taps at lags 1..half of a filter that turns every frequency by 90°.

    2 / (π n) at odd lags n, under a Hamming window (the ideal transformer cut short; any text on
    digital filters). Frequencies below about 2 / half of the sample rate come out too small.
    """
    lag = np.arange(1, half + 1)
    window = 0.54 + 0.46 * np.cos(np.pi * lag / (half + 1))
    return np.asarray(np.where(lag % 2 == 1, 2.0 / (np.pi * lag), 0.0) * window)


@compiled
def quadrature(samples: AnyArray, place: int, taps: FloatArray) -> float:
    """Return the quadrature of a signal at one sample; what lies outside the trace counts as 0."""
    total = 0.0
    if place - taps.size >= 0 and place + taps.size < samples.size:
        # Even lags weigh nothing.
        for k in range(1, taps.size + 1, 2):
            total += taps[k - 1] * (np.float64(samples[place - k]) - np.float64(samples[place + k]))
        return total
    for k in range(1, taps.size + 1):
        tap = taps[k - 1]
        if tap == 0.0:
            continue
        if 0 <= place - k < samples.size:
            total += tap * np.float64(samples[place - k])
        if 0 <= place + k < samples.size:
            total -= tap * np.float64(samples[place + k])
    return total


@compiled
def envelope(samples: AnyArray, place: int, taps: FloatArray) -> float:
    """Return the size of the analytic signal at one sample."""
    turned = quadrature(samples, place, taps)
    return np.float64(np.hypot(np.float64(samples[place]), turned))


@compiled
def envelope_top(
    samples: AnyArray, middle: int, near: int, period: float, taps: FloatArray
) -> tuple[int, float, float, float]:
    """Return the sample of the envelope's top within ``near`` of a sample, its offset and height.

    And the bend of its logarithm there, per sample². A parabola through the logarithms of three
    values, exact for a Gaussian. (−1, 0, 0, 0) where the top lies at the end of the reach, or
    outside the trace.
    """
    step = max(int(period / COARSE), 1)
    best, height = -1, 0.0
    for j in range(middle - near, middle + near + 1, step):
        size = envelope(samples, j, taps) if 0 <= j < samples.size else 0.0
        if size > height:
            best, height = j, size
    if best < 0:
        return -1, 0.0, 0.0, 0.0
    for way in (-1, 1):
        while 0 <= best + way < samples.size and abs(best + way - middle) <= near:
            size = envelope(samples, best + way, taps)
            if size <= height:
                break
            best, height = best + way, size
    if best <= 0 or best + 1 >= samples.size or abs(best - middle) >= near:
        return -1, 0.0, 0.0, 0.0
    before, after = envelope(samples, best - 1, taps), envelope(samples, best + 1, taps)
    if not (before > 0.0 and after > 0.0):
        return -1, 0.0, 0.0, 0.0
    a, b, c = np.log(before), np.log(height), np.log(after)
    bend = a - 2.0 * b + c
    if not bend < 0.0:
        return -1, 0.0, 0.0, 0.0
    return best, 0.5 * (a - c) / bend, np.float64(np.exp(b - 0.125 * (a - c) ** 2 / bend)), bend


class Tops(NamedTuple):
    """Where envelopes have their tops, in samples, and the standard uncertainty; NaN: unknown."""

    place: FloatArray
    u_place: FloatArray


@compiled
def envelope_tops(
    trace: AnyArray,
    peak: IntArray,
    reach: tuple[int, float],
    taps: FloatArray,
    slope: FloatArray,
    tops: Tops,
) -> None:
    """Write where the envelope of each row's echo has its top.

    It is sought within so many samples of the echo peak; ``reach`` holds them and the period. Noise
    whose envelope has the slope ``slope``, shape (n,), in codes per sample, moves it by its slope
    over the bend.
    """
    near, period = reach
    for row in range(peak.size):
        tops.place[row], tops.u_place[row] = np.nan, np.nan
        if peak[row] >= 0:
            best, offset, height, bend = envelope_top(trace[row], peak[row], near, period, taps)
            if best >= 0:
                tops.place[row] = best + offset
                tops.u_place[row] = slope[row] / (-bend * height)
