"""Media of plane waves: velocity, density, attenuation with the dispersion that causality asks."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from ascan_synthetic.pulse import ComplexArray, FloatArray

NEPER_PER_DB = math.log(10.0) / 20.0


@dataclass(frozen=True, slots=True)
class Medium:
    """A homogeneous medium.

    Attributes
    ----------
    velocity_mm_per_us : float
        Phase velocity at the reference frequency.
    density_g_per_cm3 : float
    attenuation_db_per_mm : float
        Loss of amplitude along the path at the reference frequency.
    exponent : float
        Attenuation grows with this power of frequency, above 0 and up to 2.
    reference_mhz : float
    per_degree : float
        Change of velocity per °C, mm/µs.
    """

    velocity_mm_per_us: float
    density_g_per_cm3: float
    attenuation_db_per_mm: float = 0.0
    exponent: float = 1.0
    reference_mhz: float = 5.0
    per_degree: float = 0.0

    @property
    def impedance_mrayl(self) -> float:
        """Density times velocity, in 10⁶ kg/(m² s); loss and dispersion left out."""
        return self.velocity_mm_per_us * self.density_g_per_cm3

    def at(self, change_c: float) -> Medium:
        """Return the medium warmer by so many °C."""
        velocity = self.velocity_mm_per_us + self.per_degree * change_c
        return replace(self, velocity_mm_per_us=velocity)

    def slowness_us_per_mm(self, omega: FloatArray) -> FloatArray:
        """Return 1 / phase velocity at angular frequencies above 0.

        References
        ----------
        Power-law attenuation α₀|ω|ʸ and its dispersion by the Kramers-Kronig relations: Szabo 1994,
        J. Acoust. Soc. Am. 96, 491; Waters et al. 2000, ibid. 108, 556 (from memory; checked in the
        tests by causality). Strictly causal for exponents below 1 (Paley-Wiener); for 2 there is no
        dispersion and a Gaussian blur of standard deviation √(2 α₀ x) reaches ahead of the arrival.
        """
        reference = 2.0 * np.pi * self.reference_mhz
        alpha = NEPER_PER_DB * self.attenuation_db_per_mm / reference**self.exponent
        if abs(self.exponent - 1.0) < 1e-9:
            change = -2.0 / np.pi * alpha * np.log(omega / reference)
        else:
            power = self.exponent - 1.0
            lean = alpha * np.tan(0.5 * np.pi * self.exponent)
            change = lean * (omega**power - reference**power)
        return np.asarray(1.0 / self.velocity_mm_per_us + change)

    def travel(self, omega: FloatArray, path_mm: FloatArray | float) -> ComplexArray:
        """Return what a path does to a plane wave: delay, loss and dispersion; 1 at ω = 0.

        ``omega`` and ``path_mm`` broadcast.
        """
        positive = np.where(omega > 0.0, omega, 1.0)
        relative = positive / (2.0 * np.pi * self.reference_mhz)
        loss = NEPER_PER_DB * self.attenuation_db_per_mm * relative**self.exponent
        exponent = -(1j * positive * self.slowness_us_per_mm(positive) + loss) * path_mm
        return np.asarray(np.where(omega > 0.0, np.exp(exponent), 1.0))


# Velocities and densities: mild steel with the velocity of calibration-block steel (EN 15317);
# PMMA from ASTM E494 Table X3.1; polystyrene from the CRC Handbook; water at 20 °C. Attenuation
# and the temperature coefficient of plastics: from memory, of the right order only. Steel's
# temperature coefficient: 1018 steel, −0.8 m/s per °C (Do Trung Kien et al.).
STEEL = Medium(5.920, 7.85, 0.01, 2.0, per_degree=-0.0008)
PMMA = Medium(2.670, 1.18, 0.08, 1.0, per_degree=-0.0025)
POLYSTYRENE = Medium(2.350, 1.06, 0.06, 1.0, per_degree=-0.002)
WATER = Medium(1.48236, 0.9982, 0.0054, 2.0)
GEL = Medium(1.6, 1.05, 0.02, 1.0)
PAINT = Medium(2.5, 1.4, 1.0, 1.0)
AIR = Medium(0.343, 0.0012)
STEEL_SHEAR_MM_PER_US = 3.240

# Marczak 1997, J. Acoust. Soc. Am. 102, 2776: speed of sound in pure water, m/s, T90.
MARCZAK = (1402.385, 5.038813, -5.799136e-2, 3.287156e-4, -1.398845e-6, 2.787860e-9)


def water_at(temperature_c: float) -> Medium:
    """Return water at a temperature between 0 and 95 °C (velocity after Marczak 1997)."""
    if not 0.0 <= temperature_c <= 95.0:
        raise ValueError(f"water temperature is {temperature_c} °C; allowed: 0 to 95 °C")
    metres = sum(k * temperature_c**power for power, k in enumerate(MARCZAK))
    return replace(WATER, velocity_mm_per_us=metres / 1000.0)


def reflection(near: Medium, far: Medium) -> float:
    """Return the pressure reflection coefficient seen from ``near``: (Z₂ − Z₁) / (Z₂ + Z₁)."""
    z1, z2 = near.impedance_mrayl, far.impedance_mrayl
    return (z2 - z1) / (z2 + z1)


def transmission(near: Medium, far: Medium) -> float:
    """Return the pressure transmission coefficient from ``near`` to ``far``: 1 + reflection."""
    return 1.0 + reflection(near, far)
