"""A pulse as a linear filter: some fifty coefficients on smooth functions of limited length."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.kernels.fir import SIGMA_OVER_BANDWIDTH

# A pulse may begin so many widths σ of the nominal one before its time zero and end so many after:
# real pulses open sharply and ring on.
LEAD_WIDTHS, TAIL_WIDTHS = 5.0, 16.0
# Its band, in units of the nominal frequency.
LOWEST, HIGHEST = 0.1, 2.3
# The ends of the window are rounded over this part of it each.
ROUNDED = 0.12
# What lies outside a pulse's own stretch may hold this part of its energy, on each side.
LEAST_LEFT_OFF, MOST_LEFT_OFF = 1e-7, 2e-6
# Where it is this part of its height, a pulse is well begun.
BEGUN = 0.03


@dataclass(frozen=True, eq=False, slots=True)
class PulseBasis:
    """Functions whose weighted sum is a pulse: waves of the band under a flat window.

    Attributes
    ----------
    sample_rate_mhz, frequency_mhz, bandwidth : float
        The last two are the probe's nominal ones (bandwidth over frequency).
    before, size : int
        Samples before time zero, and in all.
    functions : ndarray, shape (functions, size)
    """

    sample_rate_mhz: float
    frequency_mhz: float
    bandwidth: float
    before: int = field(init=False)
    size: int = field(init=False)
    functions: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        sigma_us = SIGMA_OVER_BANDWIDTH / self.bandwidth / self.frequency_mhz
        before = int(np.ceil(LEAD_WIDTHS * sigma_us * self.sample_rate_mhz))
        size = before + int(np.ceil(TAIL_WIDTHS * sigma_us * self.sample_rate_mhz)) + 1
        length_us = size / self.sample_rate_mhz
        highest = min(HIGHEST * self.frequency_mhz, 0.48 * self.sample_rate_mhz)
        low = max(int(np.ceil(LOWEST * self.frequency_mhz * length_us)), 1)
        high = max(int(highest * length_us), low)
        phase = 2.0 * np.pi * np.outer(np.arange(low, high + 1), np.arange(size)) / size
        rounded = max(int(ROUNDED * size), 1)
        ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(rounded) + 0.5) / rounded)
        window = np.ones(size)
        window[:rounded], window[size - rounded :] = ramp, ramp[::-1]
        object.__setattr__(self, "before", before)
        object.__setattr__(self, "size", size)
        waves = np.concatenate([np.cos(phase), np.sin(phase)])
        object.__setattr__(self, "functions", waves * window)

    def fitted(self, samples: FloatArray) -> FloatArray:
        """Return the coefficients that come nearest to samples of a pulse, shape (size,)."""
        return np.asarray(np.linalg.lstsq(self.functions.T, samples, rcond=1e-8)[0])

    def spectra(self, functions: FloatArray, transform: int) -> AnyArray:
        """Return spectra of functions of time, shape (n, transform // 2 + 1), time zero at 0."""
        padded = np.zeros((len(functions), transform))
        padded[:, : self.size] = functions
        return np.fft.rfft(np.roll(padded, -self.before, axis=1))


def own_stretch(pulses: FloatArray, before: int, noise: float) -> tuple[int, int]:
    """Return from where to where pulses, shape (n, size), hold next to all of their energy.

    What is left off holds less than half of ``noise``, the share of noise in their energy. Time
    zero, sample ``before``, lies inside.
    """
    energy = np.cumsum(np.sum(pulses**2 / np.sum(pulses**2, axis=1, keepdims=True), axis=0))
    left_off = min(max(0.5 * noise, LEAST_LEFT_OFF), MOST_LEFT_OFF)
    first = int(np.searchsorted(energy, left_off * energy[-1]))
    last = int(np.searchsorted(energy, (1.0 - left_off) * energy[-1])) + 1
    return min(first, before), max(last, before + 1)


def begun_before(pulse: FloatArray, before: int, least: float) -> int:
    """Return by how many samples a pulse is well begun before its time zero, ``least`` at least.

    Where an arrival is left out of a window, the window ends there.
    """
    size = np.abs(pulse)
    begun = int(np.argmax(size > BEGUN * size.max())) if size.any() else before
    return max(before - begun, int(least))
