"""What is allowed for besides signal and calibration: stated by the procedure, or taken."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

from ascan.base.tables import number, text
from ascan.uncertainty.temperature import SHARE_PER_C

MEANINGS = {
    "component_velocity_percent": "velocity of the component against that of the block",
    "couplant_mm": "film of couplant",
    "surface_mm": "roughness under the probe",
    "curvature_mm": "curvature of the surface",
    "operator_mm": "operator",
    "temperature": "temperature of the component against the block's",
}
# What differs from reading to reading where the procedure states it. Taken unstated it is the same
# in all readings of a survey: component against block, not one reading against the next.
DIFFERS = ("couplant_mm", "surface_mm", "operator_mm")
ROOT_3 = math.sqrt(3.0)

# Ferritic and low-alloy steels: tables list 5.90 to 5.96 mm/µs (ASTM E494 table X3.1, CRC Handbook,
# section 14; both seen in extracts); the block's own steel is 5.92 ± 0.03 (EN 15317:2013, from
# secondary sources). Both half-widths are 0.03, taken as rectangular.
STEELS_MM_PER_US, HALF_WIDTH_MM_PER_US = (5.85, 6.00), 0.03
STEEL_PERCENT = 100.0 * math.hypot(HALF_WIDTH_MM_PER_US, HALF_WIDTH_MM_PER_US) / ROOT_3 / 5.92
# Block and component within 10 °C of each other (own assumption), 1 % for each 55 °C (ASTM
# E797/E797M-21, 9.5); rectangular.
APART_C = 10.0
# A film of couplant reads four times as thick as it is (5.9 over 1.5 mm/µs). Under a pressed probe
# it differs by 5 µm between two smooth surfaces (common practice, from memory); roughness is filled
# with it: Ra of 6.3 µm, the usual limit for contact testing (common practice, from memory). Both
# rectangular.
AS_STEEL, FILM_MM, ROUGH_MM = 4.0, 0.005, 0.0063
MATCHED = "the calibration was carried over to the component by a spot of known thickness"


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowances:
    """Standard uncertainties that no waveform shows; what is not stated is never taken as 0.

    Attributes
    ----------
    component_velocity_percent : float, optional
        Of the component's velocity against the block's. Steels differ by some tenths of a percent
        to a few percent (handbook tables): 0.1 % is 10 µm at 10 mm.
    couplant_mm, surface_mm, operator_mm : float, optional
        Differ from reading to reading.
    curvature_mm : float, optional
        Common to all readings.
    repeatability_mm : float, optional
        Of one reading, coupled anew; where no step was read twice. Without it 0.01 of a period.
    lack_of_fit_mm : float, optional
        What steps are off the calibration's line by, beyond block and timing, where it is known;
        without it, it is estimated from the steps, however few.
    reason : str
        Why a 0 is stated. A 0 without a reason counts as not stated.
    """

    component_velocity_percent: float | None = number(None, least=0.0, most=20.0)
    couplant_mm: float | None = number(None, least=0.0, most=10.0)
    surface_mm: float | None = number(None, least=0.0, most=10.0)
    curvature_mm: float | None = number(None, least=0.0, most=10.0)
    operator_mm: float | None = number(None, least=0.0, most=10.0)
    repeatability_mm: float | None = number(None, least=0.0, most=10.0)
    lack_of_fit_mm: float | None = number(None, least=0.0, most=10.0)
    reason: str = text("")

    def stated(self, key: str) -> float | None:
        """Return what is stated of one influence; None: nothing, or 0 without a reason."""
        value: float | None = getattr(self, key)
        return None if value == 0.0 and not self.reason else value


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowance:
    """One influence, as it enters the uncertainty.

    Attributes
    ----------
    key : str
        Of `MEANINGS`.
    size : float
        Standard uncertainty: mm, or a share of the wall.
    of_wall : bool
        Whether it is a share of the wall.
    differs : bool
        Whether it differs from reading to reading.
    distribution : str
    why : str
        Where it comes from; "" where the procedure states it.
    """

    key: str
    size: float
    of_wall: bool = False
    differs: bool = False
    distribution: str = "normal"
    why: str = ""

    def __str__(self) -> str:
        size = f"{100.0 * self.size:.2g} %" if self.of_wall else f"{self.size:.2g} mm"
        return f"{MEANINGS[self.key]}: u {size}" + (f" ({self.why})" if self.why else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """What decides which influences there are.

    Attributes
    ----------
    velocity_mm_per_us : float
        Longitudinal velocity of the block.
    crosses_film : bool
        Whether the interval crosses the film under the probe.
    temperature_stated, velocity_matched : bool
        Whether the procedure states temperatures; whether the calibration was carried over to the
        component by a spot of known thickness.
    """

    velocity_mm_per_us: float
    crosses_film: bool
    temperature_stated: bool
    velocity_matched: bool = False


def allowances_of(stated: Allowances, of: Component) -> tuple[list[Allowance], list[str]]:
    """Return every influence as it enters u, and what has no figure that could be defended.

    Parameters
    ----------
    stated : Allowances
    of : Component

    Returns
    -------
    allowed : list of Allowance
    unknown : list of str
        Keys that must be stated before there can be a verdict.

    Examples
    --------
    >>> steel = Component(velocity_mm_per_us=5.92, crosses_film=True, temperature_stated=False)
    >>> allowed, unknown = allowances_of(Allowances(couplant_mm=0.01), steel)
    >>> [(one.key, round(one.size, 4)) for one in allowed]  # doctest: +NORMALIZE_WHITESPACE
    [('component_velocity_percent', 0.0041), ('couplant_mm', 0.01), ('surface_mm', 0.0145),
     ('temperature', 0.001)]
    >>> allowances_of(Allowances(), Component(
    ...     velocity_mm_per_us=6.32, crosses_film=False, temperature_stated=True))[1]
    ['component_velocity_percent']
    """
    allowed, unknown = list[Allowance](), list[str]()
    for field in dataclasses.fields(Allowances):
        key = field.name
        if key not in MEANINGS:
            continue
        value, of_wall = stated.stated(key), key == "component_velocity_percent"
        if of_wall and of.velocity_matched:
            allowed.append(Allowance(key=key, size=0.0, of_wall=True, why=MATCHED))
        elif value is not None:
            size = 0.01 * value if of_wall else value
            why = stated.reason if value == 0.0 else ""
            allowed.append(
                Allowance(key=key, size=size, of_wall=of_wall, differs=key in DIFFERS, why=why)
            )
        elif of_wall and not _is_steel(of.velocity_mm_per_us):
            unknown.append(key)
        else:
            allowed += _taken(key, of)
    if not of.temperature_stated:
        allowed += _taken("temperature", of)
    return allowed, unknown


def _is_steel(velocity_mm_per_us: float) -> bool:
    return STEELS_MM_PER_US[0] <= velocity_mm_per_us <= STEELS_MM_PER_US[1]


def _taken(key: str, of: Component) -> Sequence[Allowance]:
    """Return what is taken for an influence that the procedure does not state.

    Curvature is taken as none, since a procedure without ``[pipe]`` says flat; so is the operator,
    whom a timed waveform does not show but by the film.
    """
    known = {
        "component_velocity_percent": (
            0.01 * STEEL_PERCENT,
            "not stated: ferritic and low-alloy steels, 5.90 to 5.96 mm/µs in ASTM E494 and CRC "
            "tables, on a block of 5.92 ± 0.03, EN 15317",
        ),
        "temperature": (
            SHARE_PER_C * APART_C / ROOT_3,
            "not stated: within 10 °C of the block, 1 % for each 55 °C, ASTM E797",
        ),
    }
    if of.crosses_film:
        known |= {
            "couplant_mm": (
                AS_STEEL * FILM_MM / ROOT_3,
                "not stated: films of block and component within 5 µm, read four times as thick; "
                "common practice",
            ),
            "surface_mm": (
                AS_STEEL * ROUGH_MM / ROOT_3,
                "not stated: Ra up to 6.3 µm, filled with couplant; common practice",
            ),
        }
    if key not in known:
        return []
    size, why = known[key]
    share = key in ("component_velocity_percent", "temperature")
    return [Allowance(key=key, size=size, of_wall=share, distribution="rectangular", why=why)]
