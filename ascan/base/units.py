"""The one unit set (mm, µs, MHz, mm/µs, °C) and what foreign units are in it."""

from __future__ import annotations

from contextvars import ContextVar
from typing import NamedTuple

MM_PER_INCH = 25.4
# What lengths are shown in: millimetres everywhere inside, inches at the edge where asked for.
SHOWN_IN: ContextVar[str] = ContextVar("shown_in", default="mm")


class Unit(NamedTuple):
    """How a unit is written, what it measures, and its size in the project's unit of that kind."""

    sign: str
    kind: str
    factor: float


# Longest suffix first, so that "_mm_per_us" is not read as "_us".
SUFFIXES: dict[str, Unit] = {
    "_mm_per_us": Unit("mm/µs", "velocity", 1.0),
    "_m_per_s": Unit("m/s", "velocity", 1e-3),
    "_in_per_us": Unit("in/µs", "velocity", MM_PER_INCH),
    "_km_s": Unit("km/s", "velocity", 1.0),
    "_m_s": Unit("m/s", "velocity", 1e-3),
    "_inch": Unit("in", "length", MM_PER_INCH),
    "_mhz": Unit("MHz", "frequency", 1.0),
    "_khz": Unit("kHz", "frequency", 1e-3),
    "_hz": Unit("Hz", "frequency", 1e-6),
    "_mm": Unit("mm", "length", 1.0),
    "_um": Unit("µm", "length", 1e-3),
    "_cm": Unit("cm", "length", 10.0),
    "_in": Unit("in", "length", MM_PER_INCH),
    "_us": Unit("µs", "time", 1.0),
    "_ns": Unit("ns", "time", 1e-3),
    "_ms": Unit("ms", "time", 1e3),
    "_db": Unit("dB", "level", 1.0),
    "_c": Unit("°C", "temperature", 1.0),
    "_s": Unit("s", "time", 1e6),
}


def unit_of(name: str) -> Unit | None:
    """Return the unit that a name's suffix states, or None.

    Examples
    --------
    >>> unit_of("velocity_m_per_s").sign
    'm/s'
    """
    for suffix, unit in SUFFIXES.items():
        if name.endswith(suffix):
            return unit
    return None


def stem_of(name: str) -> str:
    """Return a name without its unit suffix.

    Examples
    --------
    >>> stem_of("start_mm")
    'start'
    """
    for suffix in SUFFIXES:
        if name.endswith(suffix):
            return name.removesuffix(suffix)
    return name
