"""The analytic signal of a few samples: quadrature by a finite filter, envelope from both."""

from __future__ import annotations

import numpy as np

from ascan.arrays import AnyArray, FloatArray
from ascan.kernels.jit import compiled


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
