"""What a procedure allows for besides timing and calibration: its Type B lines, none silently 0."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

from ascan.base.tables import number

MEANINGS = {
    "component_velocity_percent": "velocity of the component against that of the block",
    "couplant_mm": "film of couplant",
    "surface_mm": "roughness under the probe",
    "curvature_mm": "curvature of the surface",
    "operator_mm": "operator",
    "temperature": "temperature of the component against the block's",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowances:
    """Standard uncertainties that no waveform shows; what is not stated is named, not taken as 0.

    Attributes
    ----------
    component_velocity_percent : float, optional
        Of the component's velocity against the block's. Steels differ by some tenths of a percent
        to a few percent (handbook tables): 0.1 % is 10 µm at 10 mm.
    couplant_mm, surface_mm, operator_mm : float, optional
        Differ from reading to reading.
    curvature_mm : float, optional
        Common to all readings.
    """

    component_velocity_percent: float | None = number(None, least=0.0, most=20.0)
    couplant_mm: float | None = number(None, least=0.0, most=10.0)
    surface_mm: float | None = number(None, least=0.0, most=10.0)
    curvature_mm: float | None = number(None, least=0.0, most=10.0)
    operator_mm: float | None = number(None, least=0.0, most=10.0)

    @property
    def not_stated(self) -> list[str]:
        """The lines for which the procedure states nothing."""
        return [f.name for f in dataclasses.fields(self) if getattr(self, f.name) is None]

    @property
    def states_velocity(self) -> bool:
        """Whether the component's velocity is stated, be it as that of the block."""
        return self.component_velocity_percent is not None

    @property
    def common_share(self) -> float:
        """What all readings share, as a fraction of the thickness."""
        return 0.01 * (self.component_velocity_percent or 0.0)
