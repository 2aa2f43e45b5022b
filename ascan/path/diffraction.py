"""How diffraction moves the echoes of a round element, by the length of their path.

Close to the probe sound travels as a plane wave; far from it as a spherical one, a quarter of a
period ahead. An echo's phase is somewhere in between, and successive echoes differ in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.kernels.arrays import FloatArray
from ascan.kernels.fir import SIGMA_OVER_BANDWIDTH

# Paths are tabulated in near-field units; beyond, the lead is that of the last.
LEAST_S, MOST_S, NODES = 0.02, 200.0, 160
FREQUENCIES = 200


def piston_loss(s: FloatArray) -> FloatArray:
    """Return what a round piston hears of itself over a path, plane wave = 1 (complex).

    ``s`` is path × wavelength / radius². The mean pressure over the mirrored piston.

    References
    ----------
    D = 1 − exp(−i 2π/s) (J₀(2π/s) + i J₁(2π/s)): Rogers and Van Buren 1974, J. Acoust. Soc. Am.
    55(4), 724-728, eq. 6 (from memory); checked in the tests by direct summation.
    """
    from scipy.special import j0, j1

    x = 2.0 * np.pi / s
    return np.asarray(1.0 - np.exp(-1j * x) * (j0(x) + 1j * j1(x)))


def lead_table(
    diameter_mm: float, frequency_mhz: float, bandwidth: float, velocity_mm_per_us: float
) -> tuple[FloatArray, FloatArray]:
    """Return path lengths (mm, there and back) and by how much an echo over each comes early (µs).

    For a pulse of Gaussian spectrum: where its product with what diffraction makes of it is
    largest.
    """
    radius = 0.5 * diameter_mm
    sigma_us = SIGMA_OVER_BANDWIDTH / bandwidth / frequency_mhz
    omega = np.linspace(0.1, 2.0, FREQUENCIES) * 2.0 * np.pi * frequency_mhz
    energy = np.exp(-(((omega - 2.0 * np.pi * frequency_mhz) * sigma_us) ** 2))
    near_mm = radius**2 * frequency_mhz / velocity_mm_per_us
    path = np.geomspace(LEAST_S, MOST_S, NODES) * near_mm
    wavelength = 2.0 * np.pi * velocity_mm_per_us / omega
    loss = energy * piston_loss(np.outer(path, wavelength) / radius**2)
    # Far away the lead is near a quarter of a period: Newton starts at the centre's own phase.
    centre = velocity_mm_per_us / frequency_mhz
    lead = np.angle(piston_loss(path * centre / radius**2)) / (2.0 * np.pi * frequency_mhz)
    for _ in range(20):
        # The slope of the product in time is zero at its largest: Newton's steps on it.
        turned = loss * np.exp(-1j * np.outer(lead, omega))
        slope, bend = (turned.imag * omega).sum(axis=1), -(turned.real * omega**2).sum(axis=1)
        lead -= slope / bend
    return path, lead


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Leads:
    """By how much diffraction makes echoes of one probe early.

    Attributes
    ----------
    path_mm, lead_us : ndarray
        Path lengths in the wall, there and back, and by how much an echo over each comes early.
    velocity_mm_per_us, path_mm_per_us : float
        Of the wall, and of what the sound runs through before it.
    zero_us : float
        When sound leaves the element.
    """

    path_mm: FloatArray
    lead_us: FloatArray
    velocity_mm_per_us: float
    path_mm_per_us: float
    zero_us: float

    def freed(self, time_us: FloatArray, interface_us: FloatArray | None) -> FloatArray:
        """Return echo times as a plane wave would have them, shape (n,).

        ``interface_us`` are the times of the interface echo, where there is a path before the wall:
        diffraction goes by path × wavelength, so that a mm there counts by its velocity over the
        wall's.
        """
        entered_us = self.zero_us if interface_us is None else interface_us
        before_mm = self.path_mm_per_us * (entered_us - self.zero_us)
        within_mm = self.velocity_mm_per_us * (time_us - entered_us)
        path_mm = within_mm + before_mm * self.path_mm_per_us / self.velocity_mm_per_us
        return np.asarray(time_us + np.interp(path_mm, self.path_mm, self.lead_us))
