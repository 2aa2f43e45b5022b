"""Named points with several readings each: the least of each, what was rejected, what has grown."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtr

from ascan.base.errors import fault
from ascan.base.flags import names
from ascan.kernels.arrays import AnyArray, BoolArray, IntArray
from ascan.results.readings import Readings
from ascan.results.sources import Shared, Source
from ascan.survey.figures import expected_extreme
from ascan.survey.places import gone_of, random_freedom_of
from ascan.survey.told import Told

# Readings of one point whose range chance gives less often than this are not of one wall: the least
# of them stands all the same.
BY_CHANCE = 0.01
NAMELESS = "(no name)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """One point.

    Attributes
    ----------
    name : str
    readings, usable, careful : int
        In all; with a thickness; of these, with a care flag.
    least_mm, u_random_mm : float
        The thinnest reading and the part of its u that differs from reading to reading; NaN
        without one.
    shared : mapping of Source to float
        What it shares an error of with others.
    row : int
        Of the thinnest; −1 without one.
    least_flags : str
        Names of the flags that stand with it, joined by ``;``.
    mean_mm, spread_mm : float
        Of the usable readings.
    low_by_mm : float
        By how much the least of so many readings reads low from noise alone.
    scatters : bool
        Whether they differ by more than noise explains.
    rejected : mapping of int to str
        Row and reason of each reading without a thickness.
    """

    name: str
    readings: int
    usable: int
    careful: int
    least_mm: float
    u_random_mm: float
    shared: Mapping[Source, float]
    row: int
    least_flags: str
    mean_mm: float
    spread_mm: float
    low_by_mm: float
    scatters: bool
    rejected: Mapping[int, str]
    random_freedom: float = 0.0

    @property
    def u_mm(self) -> float:
        """Combined standard uncertainty of the least reading."""
        return float(np.hypot(self.u_random_mm, np.linalg.norm(list(self.shared.values()))))


def point_names(column: AnyArray) -> list[str]:
    """Return the names of points as text: 1, 1.0 and "1.0" are one, as are names but for spaces.

    Examples
    --------
    >>> point_names(np.array([1.0, 2.5, np.nan]))
    ['1', '2.5', '(no name)']
    """
    texts = [_name(str(value).strip()) for value in column.tolist()]
    return [NAMELESS if text in ("", "nan") else text for text in texts]


def _name(text: str) -> str:
    return text[:-2] if re.fullmatch(r"[0-9]+\.0", text) else text


def spots_of(readings: Readings, column: str = "point") -> list[Spot]:
    """Return the points in the order in which they first appear.

    Parameters
    ----------
    readings : Readings
        With a column that names the point of each.
    column : str

    Raises
    ------
    AscanError
        No such column, or no thickness was measured.
    """
    columns = readings.columns
    for wanted, remedy in ((column, "name the points in the scan"), ("thickness_mm", "calibrate")):
        if wanted not in columns:
            raise fault("readings", f"hold no column {wanted}", remedy=remedy)
    text = np.array(point_names(columns[column]))
    found, first = np.unique(text, return_index=True)
    gone, shared = gone_of(readings), readings.shared
    return [
        _spot(readings, str(name), np.flatnonzero(text == name), gone, shared)
        for name in found[np.argsort(first)]
    ]


def told_of(spots: Sequence[Spot | None]) -> Told:
    """Return the least readings of points, those that are None unread, with what they share."""
    some = [unread("") if spot is None else spot for spot in spots]
    sources = dict.fromkeys(source for spot in some for source in spot.shared)
    return Told(
        thickness_mm=np.array([spot.least_mm for spot in some]),
        u_random_mm=np.array([spot.u_random_mm for spot in some]),
        shared={s: np.array([spot.shared.get(s, np.nan) for spot in some]) for s in sources},
        random_freedom=np.array([spot.random_freedom for spot in some]),
    )


def unread(name: str, rejected: Mapping[int, str] | None = None) -> Spot:
    """Return a point of which no reading can be used; without rejected ones, none was taken."""
    nothing: dict[str, Any] = dict.fromkeys(
        ("least_mm", "u_random_mm", "mean_mm", "spread_mm", "low_by_mm"), np.nan
    )
    why = rejected or {}
    return Spot(
        name=name, readings=len(why), usable=0, careful=0, row=-1, least_flags="", scatters=False,
        rejected=why, shared={}, **nothing,
    )  # fmt: skip


def range_by_chance(count: int, range_u: float) -> float:
    """Return how often so many readings of one wall differ by so many of their u and more.

    References
    ----------
    Distribution of the range of a normal sample, n ∫ φ(x) (Φ(x + w) − Φ(x))ⁿ⁻¹ dx: the studentized
    range with u known (common practice).

    Examples
    --------
    >>> [round(range_by_chance(n, w), 3) for n, w in ((2, 2.772), (10, 4.474))]
    [0.05, 0.05]
    """
    x = np.linspace(-10.0, 10.0, 4001)
    density = np.exp(-0.5 * x * x) / np.sqrt(2.0 * np.pi)
    within = count * density * (ndtr(x + range_u) - ndtr(x)) ** (count - 1)
    return float(np.clip(1.0 - np.trapezoid(within, x), 0.0, 1.0))


def _spot(readings: Readings, name: str, rows: IntArray, gone: BoolArray, shared: Shared) -> Spot:
    columns, number = readings.columns, readings.scan_rows
    kept = rows[~gone[rows]]
    rejected = {
        int(number[row]): names(int(columns["flags"][row])) or "void" for row in rows[gone[rows]]
    }
    counts: dict[str, Any] = {"readings": rows.size, "usable": kept.size}
    careful = int((columns["flags"][kept] != 0).sum())
    if kept.size == 0:
        return unread(name, rejected)
    thickness, u = columns["thickness_mm"][kept], columns["u_random_mm"][kept]
    least = kept[np.argmin(thickness)]
    noise = float(np.sqrt(np.mean(u**2)))
    return Spot(
        name=name,
        careful=careful,
        least_mm=float(columns["thickness_mm"][least]),
        u_random_mm=float(columns["u_random_mm"][least]),
        shared={source: float(one[least]) for source, one in shared.items()},
        row=int(number[least]),
        random_freedom=float(random_freedom_of(readings)[least]),
        least_flags=names(int(columns["flags"][least])),
        mean_mm=float(thickness.mean()),
        spread_mm=float(thickness.std(ddof=1)) if kept.size > 1 else np.nan,
        low_by_mm=noise * expected_extreme(kept.size) if kept.size > 1 else 0.0,
        scatters=kept.size > 1
        and range_by_chance(kept.size, float(np.ptp(thickness)) / max(noise, 1e-12)) < BY_CHANCE,
        rejected=rejected,
        **counts,
    )
