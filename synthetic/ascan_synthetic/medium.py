"""Media of plane waves: velocity, density, impedance, attenuation."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Medium:
    """A homogeneous medium.

    Attributes
    ----------
    velocity_mm_per_us : float
        Longitudinal velocity.
    density_g_per_cm3 : float
    attenuation_db_per_mm : float
        Loss of amplitude along the path, frequency taken as the pulse's centre.
    """

    velocity_mm_per_us: float
    density_g_per_cm3: float
    attenuation_db_per_mm: float = 0.0

    @property
    def impedance_mrayl(self) -> float:
        """Density times velocity, in 10⁶ kg/(m² s)."""
        return self.velocity_mm_per_us * self.density_g_per_cm3


# Velocities and densities: CRC Handbook list (mild steel 5960/7.85 there; here the velocity of
# calibration-block steel, 5920), ASTM E494 Table X3.1 (PMMA); water at 20 °C.
STEEL = Medium(5.920, 7.85, 0.01)
PMMA = Medium(2.670, 1.18, 0.05)
WATER = Medium(1.48236, 0.9982)
AIR = Medium(0.343, 0.0012)


def reflection(near: Medium, far: Medium) -> float:
    """Return the pressure reflection coefficient seen from ``near``: (Z₂ − Z₁) / (Z₂ + Z₁)."""
    z1, z2 = near.impedance_mrayl, far.impedance_mrayl
    return (z2 - z1) / (z2 + z1)


def transmission(near: Medium, far: Medium) -> float:
    """Return the pressure transmission coefficient from ``near`` to ``far``: 1 + reflection."""
    return 1.0 + reflection(near, far)
