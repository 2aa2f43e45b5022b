"""A coating between path and wall: what it does to the interface echo and to every back-wall echo.

Sound that runs through it there and back meets both of its faces again and again. With r the
reflection from path to coating, R from coating to wall and E one run there and back, all that
comes back sums up to

    interface echo           (r + R E) / (1 + r R E)
    back-wall echo n            E / (1 + r R E)² · ((R + r E) / (1 + r R E))ⁿ⁻¹

times what does not depend on frequency. The reflection of the bare wall is (r + R) / (1 + r R),
so that half logarithms of impedance ratios add: r = tanh q, R = tanh(bare − q).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.path.probe import Probe

# Impedance of a coating: its velocity times this density (paints: 1 to 2 g/cm³), known to a
# factor of exp(2 × U_MISMATCH) = 1.5, and off by no more than exp(2 × MOST_OFF) = 2.2: no paint is
# as soft as water, which would leave its delay open altogether.
DENSITY_G_PER_CM3, U_MISMATCH, MOST_OFF = 1.4, 0.2, 0.4
# Loss in a paint, in neper for every period that it takes there and back (1 dB/mm at 5 MHz and
# 2.5 mm/µs), known to a factor of two or so. It grows with frequency.
LOSS_PER_PERIOD, U_LOSS_PER_PERIOD = 0.06, 0.06


@dataclass(frozen=True, slots=True, kw_only=True)
class Coating:
    """What is sought of a coating, and what is known before.

    Attributes
    ----------
    bare : float
        Half the logarithm of the wall's impedance over the path's.
    mismatch : float
        Half the logarithm of the coating's impedance over the path's, as expected.
    frequency_mhz : float
        Of the probe.
    """

    bare: float
    mismatch: float
    frequency_mhz: float

    def factors(
        self, mhz: FloatArray, late_us: float, mismatch: float, loss_per_us: float, count: int
    ) -> AnyArray:
        """Return what it does to the interface echo and ``count`` back-wall echoes.

        The run there and back, ``late_us``, is left out of all: times are those of the echo from
        beneath it. Shape (1 + count, frequencies); 1 where there is no coating.
        """
        r, beneath = np.tanh(mismatch), np.tanh(self.bare - mismatch)
        relative = np.maximum(mhz / self.frequency_mhz, 1e-9)
        # Loss that grows with frequency goes with a velocity that does, or it would reach ahead.
        spread = 1.0 - 2j / np.pi * np.log(relative)
        kept = np.exp(-loss_per_us * late_us * relative * spread)
        delay = np.exp(-2j * np.pi * mhz * late_us)
        run = kept * delay
        ring = 1.0 / (1.0 + r * beneath * run)
        out = np.empty((1 + count, mhz.size), np.complex128)
        plain = 1.0 + r * beneath
        out[0] = (r / delay + beneath * kept) * ring * (plain / (r + beneath))
        first = kept * ring * ring * plain * plain
        turn = (beneath + r * run) * ring * (plain / (r + beneath))
        for n in range(count):
            out[1 + n] = first
            first = first * turn
        return out

    def heard_us(self, late_us: float, mismatch: float) -> FloatArray:
        """Return by how much the interface echo seems early, and each back-wall echo late.

        As a coating far thinner than a wavelength does it: (r E⁻¹ + R) / (1 + r R E) and
        (R + r E) / (1 + r R E) to the first order of the delay of E. The first back-wall echo then
        seems as late after the interface echo as any after the one before: of these times a thin
        coating tells nothing, what shows is second order.
        """
        r, beneath = np.tanh(mismatch), np.tanh(self.bare - mismatch)
        ring = r * beneath / (1.0 + r * beneath)
        face = r / (r + beneath)
        return late_us * np.array([face + ring, face - ring])


def bare_of(strength: float) -> float:
    """Return half the logarithm of wall over path impedance from the first back-wall echo's height.

    Over the interface echo it is (1 − R²) / R where the wall's far side reflects all, so that
    2 R = √(s² + 4) − s.
    """
    return float(np.arctanh(min(0.5 * (np.sqrt(strength**2 + 4.0) - strength), 0.999)))


def expected_mismatch(velocity_mm_per_us: float, probe: Probe) -> float:
    """Return half the logarithm of a coating's impedance over the path's, by usual densities."""
    path = probe.path_mm_per_us * probe.path_g_per_cm3
    ratio = velocity_mm_per_us * DENSITY_G_PER_CM3 / path
    return float(0.5 * np.log(ratio))
