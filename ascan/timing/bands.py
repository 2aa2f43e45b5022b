"""What the filter's band makes of noise: how wide it is, how steep between the samples."""

from __future__ import annotations

import numpy as np

from ascan.kernels.arrays import FloatArray
from ascan.kernels.jit import compiled


def noise_spectrum(correlation: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return frequencies (radians per sample) and power of a noise from its correlation."""
    size = max(256, 4 * correlation.size)
    whole = np.zeros(size)
    whole[: correlation.size] = correlation
    if correlation.size > 1:
        whole[-(correlation.size - 1) :] = correlation[:0:-1]
    power = np.maximum(np.fft.rfft(whole).real, 0.0)
    return np.linspace(0.0, np.pi, power.size), power


@compiled
def correlation_at(correlation: FloatArray, lag: float) -> float:
    """Return a noise's correlation with itself a lag later, in samples; 0 beyond what is known."""
    whole = int(abs(lag))
    if whole + 1 >= correlation.size:
        return 0.0
    part = abs(lag) - whole
    return np.float64((1.0 - part) * correlation[whole] + part * correlation[whole + 1])


def slope_excess(correlation: FloatArray) -> float:
    """Return by how much a noise is steeper between the samples than its central differences are.

    0 for noise that is not band-limited (no filter): between its samples nothing can be known.
    """
    if correlation.size == 1:
        return 0.0
    omega, power = noise_spectrum(correlation)
    return float(np.sqrt(power @ omega**2 / (power @ np.sin(omega) ** 2)))


def envelope_correlation(correlation: FloatArray) -> FloatArray:
    """Return how the envelope's noise correlates with itself 0, 1, 2 ... samples later."""
    if correlation.size == 1:
        return correlation
    _, power = noise_spectrum(correlation)
    analytic = np.fft.ifft(np.concatenate([power, np.zeros(power.size - 2)]))
    size = np.abs(analytic[: correlation.size])
    return np.asarray(size / size[0])


def spectral_spread(correlation: FloatArray, period: float) -> float:
    """Return the rms width of a noise's spectrum round the carrier, radians per sample."""
    omega, power = noise_spectrum(correlation)
    return float(np.sqrt(power @ (omega - 2.0 * np.pi / period) ** 2 / power.sum()))
