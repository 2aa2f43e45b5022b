"""Pulses with a defined reference instant, the maximum of the envelope."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class GaussianPulse:
    """A cosine under a Gaussian envelope of height 1.

    Attributes
    ----------
    centre_mhz : float
        Frequency of the cosine.
    bandwidth : float
        Width of the spectrum at half its amplitude, as a fraction of the centre frequency.
    phase_rad : float
        Phase of the cosine at the reference instant.
    """

    centre_mhz: float
    bandwidth: float = 0.6
    phase_rad: float = 0.0

    @property
    def sigma_us(self) -> float:
        """Standard deviation of the envelope.

        The spectrum of exp(−t²/2σ²) is exp(−σ²ω²/2); it is ½ at ω = π·bandwidth·centre, hence
        σ = √(2 ln 2) / (π·bandwidth·centre).
        """
        return math.sqrt(2.0 * math.log(2.0)) / (math.pi * self.bandwidth * self.centre_mhz)

    @property
    def reach_us(self) -> float:
        """Beyond this distance from the reference instant the pulse is below 2e-8."""
        return 6.0 * self.sigma_us

    def __call__(self, after_us: FloatArray) -> FloatArray:
        """Return the pulse at times after its reference instant, any shape."""
        carrier = np.cos(2.0 * np.pi * self.centre_mhz * after_us + self.phase_rad)
        return np.asarray(carrier * np.exp(-0.5 * (after_us / self.sigma_us) ** 2))
