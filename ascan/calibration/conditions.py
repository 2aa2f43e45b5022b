"""Under what a calibration was made: block, probe, couplant, people, and how long it holds."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

from ascan.base.given import toml_of
from ascan.base.tables import from_table, number, text

# What a calibration keeps where it was carried over to the component's own velocity.
COMPONENT_SPOT = "component_spot"


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """What a technician notes beside a calibration; nothing of it changes a fitted value.

    Attributes
    ----------
    block, block_certificate, block_material : str
    block_temperature_c : float, optional
    probe_serial, instrument, couplant, surface, linearity, operator : str
        ``linearity`` as ``ascan linearity`` prints it; ``operator`` is a reference of the firm's
        own, not a name.
    valid_days : float, optional
        After so many days it is to be made anew.
    recheck_hours : float, optional
        A known step is to be read at least so often (`ascan.results.series`).
    """

    block: str = text("")
    block_certificate: str = text("")
    block_material: str = text("")
    block_temperature_c: float | None = number(None, least=-60.0, most=540.0)
    probe_serial: str = text("")
    instrument: str = text("")
    couplant: str = text("")
    surface: str = text("")
    linearity: str = text("")
    operator: str = text("")
    valid_days: float | None = number(None, above=0.0)
    recheck_hours: float | None = number(None, above=0.0)

    def as_texts(self) -> dict[str, str]:
        """Return what is stated, as a calibration keeps it."""
        stated = {f.name: getattr(self, f.name) for f in dataclasses.fields(self)}
        return {
            name: value if isinstance(value, str) else f"{value:g}"
            for name, value in stated.items()
            if value not in ("", None)
        }

    @classmethod
    def from_text(cls, content: str, place: str = "conditions") -> Conditions:
        r"""Return conditions from TOML text.

        Raises
        ------
        AscanError
            Not TOML, or an unknown or unfit key.

        Examples
        --------
        >>> Conditions.from_text('couplant = "gel"\nvalid_days = 1').as_texts()
        {'couplant': 'gel', 'valid_days': '1'}
        """
        return from_table(cls, toml_of(content, place), place)
