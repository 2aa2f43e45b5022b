"""Tables of the written procedure that belong to no other room: interval, range, coating."""

from __future__ import annotations

from dataclasses import dataclass

from ascan.base.errors import procedure_fault as fault
from ascan.base.tables import names, number, text
from ascan.path.modes import MODES


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """An interval between echoes.

    Attributes
    ----------
    mode : str
        What it is taken between (`ascan.path.modes`).
    gates : tuple of str
        Whose echoes, in order of arrival.
    diffraction : str
        ``round_element``: echo times of a contact probe are freed of it, or it is part of the model
        of a whole record; needs ``element_diameter_mm`` of the probe.
    """

    mode: str = text(choices=tuple(MODES))
    gates: tuple[str, ...] = names()
    diffraction: str = text("none", choices=("none", "round_element"))

    def __post_init__(self) -> None:
        count = len(self.gates)
        least, most = MODES[self.mode].gates
        if not least <= count <= most or len(set(self.gates)) != count:
            allowed = f"{least} different gates" if least == most else f"{least} or more"
            raise fault(
                "interval.gates",
                f"names {count} ({', '.join(self.gates)})",
                allowed=f"{allowed} for {self.mode}",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuringRange:
    """Thicknesses the procedure is written for.

    Attributes
    ----------
    min_mm, max_mm : float
        Readings outside are flagged.
    """

    min_mm: float = number(0.0, least=0.0)
    max_mm: float = number(1000.0, above=0.0)

    def __post_init__(self) -> None:
        if self.min_mm >= self.max_mm:
            raise fault(
                "range",
                f"runs from {self.min_mm:g} to {self.max_mm:g} mm",
                allowed="min_mm below max_mm",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Coating:
    """The coating that an interval crosses.

    With a second interval that does not cross it, its thickness is found from the two. Of a known
    thickness (then none is needed), it is taken off. In a whole record it is fitted with the wall.

    Attributes
    ----------
    velocity_mm_per_us, u_velocity_mm_per_us : float
        Of the coating.
    thickness_mm, u_thickness_mm : float, optional
        Where it is known.
    """

    velocity_mm_per_us: float = number(above=0.0, most=10.0)
    u_velocity_mm_per_us: float = number(0.0, least=0.0, most=3.0)
    thickness_mm: float | None = number(None, above=0.0, most=100.0)
    u_thickness_mm: float | None = number(None, least=0.0, most=10.0)

    def __post_init__(self) -> None:
        if (self.thickness_mm is None) != (self.u_thickness_mm is None):
            raise fault(
                "coating", "needs both of thickness_mm and u_thickness_mm, or neither of them"
            )
