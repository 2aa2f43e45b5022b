"""What no record of a step can tell, and the user is asked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from ascan.base.errors import fault
from ascan.base.tables import checked_number
from ascan.path.probe import ARRANGEMENTS
from ascan.waveform.scan import Scan


class DualProbe(NamedTuple):
    """Nominal dimensions of a dual probe, as `ascan.path.probe.Probe` has them."""

    wedge_height_mm: float
    wedge_velocity_mm_per_us: float
    roof_deg: float
    element_width_mm: float
    element_length_mm: float
    element_gap_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """What a draft is asked for.

    Attributes
    ----------
    arrangement : str
        Of the probe; "" where it is not stated, and only proposed.
    range_mm : tuple of float, optional
        The least and the greatest wall wanted; without it, the steps' own.
    coated, corroded : bool
        What the component is like: painted or otherwise coated outside; corroded or rough inside.
    element_diameter_mm : float, optional
        Of a round single element.
    dual : DualProbe, optional
    component : Scan, optional
        Records of what is to be measured: they, too, set thresholds and gates, and each candidate
        is tried on them.
    beside : tuple of str
        Procedures (TOML) that are tried beside the draft.

    Examples
    --------
    >>> Wishes(arrangement="contact", range_mm=(3.0, 12.0)).corroded
    False
    """

    arrangement: str = ""
    range_mm: tuple[float, float] | None = None
    coated: bool = False
    corroded: bool = False
    element_diameter_mm: float | None = None
    dual: DualProbe | None = None
    component: Scan | None = None
    beside: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.arrangement and self.arrangement not in ARRANGEMENTS:
            raise fault("arrangement", f"is '{self.arrangement}'", allowed=", ".join(ARRANGEMENTS))
        if self.range_mm is not None:
            low, high = (checked_number(each, "range", above=0.0) for each in self.range_mm)
            if not low < high:
                raise fault("range", f"is {low:g} to {high:g} mm", allowed="the least wall first")
        if self.element_diameter_mm is not None:
            checked_number(self.element_diameter_mm, "element diameter", above=0.0, most=100.0)
