"""How lengths are shown: millimetres everywhere inside, inches at the edge where asked for."""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np

from ascan.base.errors import fault
from ascan.base.units import MM_PER_INCH, SHOWN_IN
from ascan.kernels.arrays import AnyArray


def length(value_mm: float, digits: int = 3, *, sign: bool = False) -> str:
    """Return a length with its unit, in mm or (`SHOWN_IN`) in inches with one digit more.

    Examples
    --------
    >>> length(7.5), length(-0.02, 2, sign=True)
    ('7.500 mm', '-0.02 mm')
    """
    shown, inch = value_mm, SHOWN_IN.get() == "in"
    if inch:
        shown, digits = value_mm / MM_PER_INCH, digits + 1
    return f"{shown:{'+' if sign else ''}.{digits}f} {'in' if inch else 'mm'}"


def area(value_mm2: float) -> str:
    """Return an area with its unit, in mm² or in square inches.

    Examples
    --------
    >>> area(120.0)
    '120 mm²'
    """
    if SHOWN_IN.get() == "in":
        return f"{value_mm2 / MM_PER_INCH**2:.3f} in²"
    return f"{value_mm2:.0f} mm²"


def shown_columns(columns: Mapping[str, AnyArray]) -> dict[str, AnyArray]:
    """Return columns as they are to be shown: lengths in inches, and named so, where asked for.

    Examples
    --------
    >>> token = SHOWN_IN.set("in")
    >>> shown_columns({"thickness_mm": np.array([25.4]), "flags": np.array([0])})
    {'thickness_in': array([1.]), 'flags': array([0])}
    >>> SHOWN_IN.reset(token)
    """
    if SHOWN_IN.get() == "mm":
        return dict(columns)
    out: dict[str, AnyArray] = {}
    for name, values in columns.items():
        power = {"_mm": 1, "_mm2": 2}.get(name[name.rfind("_mm") :] if "_mm" in name else "", 0)
        per_year = name.endswith("_mm_per_year")
        if power or per_year:
            at = name.rfind("_mm")
            name = f"{name[:at]}_in{name[at + 3 :]}"
            values = np.asarray(values, np.float64) / MM_PER_INCH ** (power or 1)
        out[name] = values
    return out


def length_of(text: str, place: str) -> float:
    """Return a length in mm, as it is written: ``6``, ``6mm`` or ``0.25in``.

    A bare number is in mm; where lengths are shown in inches, it needs its unit.

    Raises
    ------
    AscanError
        Not a length.

    Examples
    --------
    >>> length_of("6", "--limit"), length_of("0.25in", "--limit")
    (6.0, 6.35)
    """
    match = re.fullmatch(r"\s*([-+]?(?:\d+\.?\d*|\.\d+))\s*(mm|in)?\s*", text)
    bare = match is not None and match[2] is None
    if match is None or (bare and SHOWN_IN.get() == "in" and float(match[1]) != 0.0):
        wanted = "a length with its unit beside --inch" if match else "a length"
        raise fault(place, f"is '{text}'", allowed=f"{wanted}, such as 6mm or 0.25in")
    return float(match[1]) * (MM_PER_INCH if match[2] == "in" else 1.0)


def size_of(text: str, place: str) -> float:
    """Return a length in mm that is above 0, written as for `length_of`."""
    size_mm = length_of(text, place)
    if not size_mm > 0.0:
        raise fault(place, f"is {text}", allowed="above 0")
    return size_mm
