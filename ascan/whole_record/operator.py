"""What distance does to an echo of a flat wall: diffraction and attenuation, in the spectrum."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.path.diffraction import piston_loss

NEPER_PER_DB = np.log(10.0) / 20.0
# Attenuation grows with this power of frequency: scattering by grains far smaller than a
# wavelength would be 4, other losses 1 to 2; over one pulse's band they hardly differ.
ATTENUATION_POWER = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Operator:
    """How an echo changes with the wall it has crossed.

    Attributes
    ----------
    velocity_mm_per_us : float
        Of the wall.
    turn_us : float
        By how much each reflection at the front of the wall delays what it sends back.
    attenuation_db_per_mm : float
        Along the path, at the probe's frequency.
    radius_mm : float
        Of the element that diffraction is worked out for; 0 leaves diffraction out.
    frequency_mhz : float
        Of the probe.
    path_mm2_per_us : float
        Length times velocity of delay line or water, there and back, where the interface echo comes
        at its usual time.
    path_velocity_mm_per_us : float
    """

    velocity_mm_per_us: float
    turn_us: float = 0.0
    attenuation_db_per_mm: float = 0.0
    radius_mm: float = 0.0
    frequency_mhz: float = 5.0
    path_mm2_per_us: float = 0.0
    path_velocity_mm_per_us: float = 1.0

    @property
    def slowness_us_per_mm(self) -> float:
        """Time that a millimetre of wall takes, there and back."""
        return 2.0 / self.velocity_mm_per_us

    @property
    def mm_per_late_us(self) -> float:
        """Thickness of wall that spreads a beam as an echo's coming later through its path does."""
        return 0.5 * self.path_velocity_mm_per_us**2 / self.velocity_mm_per_us

    def response(self, frequency_mhz: AnyArray, crossed_mm: AnyArray) -> AnyArray:
        """Return what crossing so much wall, and coming back, does: shape (crossed, frequencies).

        Diffraction of legs adds as length times velocity (paraxial). Negative ``crossed_mm`` stands
        for a path shorter than usual. The delay itself is left out.
        """
        crossed = np.atleast_1d(np.asarray(crossed_mm, np.float64))[:, None]
        relative = frequency_mhz / self.frequency_mhz
        loss_db = 2.0 * crossed * self.attenuation_db_per_mm * relative**ATTENUATION_POWER
        out = np.exp(-NEPER_PER_DB * loss_db).astype(np.complex128)
        if self.radius_mm > 0.0:
            path = self.path_mm2_per_us + 2.0 * crossed * self.velocity_mm_per_us
            above = np.maximum(frequency_mhz, 1e-3 * self.frequency_mhz)
            s = np.maximum(path, 1e-6) / (above * self.radius_mm**2)
            out = out * piston_loss(s)
        return np.asarray(out)

    def with_values(self, values: FloatArray) -> Operator:
        """Return the operator with (slowness, turn, attenuation, log of radius) as given."""
        slowness, turn, attenuation, log_radius = (float(value) for value in values)
        return replace(
            self,
            velocity_mm_per_us=2.0 / slowness,
            turn_us=turn,
            attenuation_db_per_mm=max(attenuation, 0.0),
            radius_mm=float(np.exp(log_radius)) if self.radius_mm > 0.0 else 0.0,
        )

    def values(self) -> FloatArray:
        """Return (slowness, turn, attenuation, log of radius); the last is 0 without a radius."""
        log_radius = np.log(self.radius_mm) if self.radius_mm > 0.0 else 0.0
        return np.array(
            [self.slowness_us_per_mm, self.turn_us, self.attenuation_db_per_mm, log_radius]
        )
