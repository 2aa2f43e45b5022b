"""What a surface adds up to: least, mean, area below a limit, each with what it leaves open."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtr

from ascan.base.flags import names
from ascan.survey.below import Below, Ground, nothing_below
from ascan.survey.cells import Cells


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """A surface in figures.

    Attributes
    ----------
    least_mm, u_least_mm, x_mm, y_mm, row, least_flags
        The thinnest reading, its combined standard uncertainty, its place and row, and the names of
        the flags that stand with it, joined by ``;``.
    low_by_mm : float
        By how much the least of so many readings of an even wall would read low from noise alone.
    mean_mm, u_mean_mm, spread_mm : float
        Of the cells' least readings: mean, its standard uncertainty, standard deviation.
    cells, read, refused, empty : int
        All cells; those with a thickness; those in which every position was refused; those without
        a position.
    below : tuple of Below
    """

    least_mm: float
    u_least_mm: float
    x_mm: float
    y_mm: float
    row: int
    least_flags: str
    low_by_mm: float
    mean_mm: float
    u_mean_mm: float
    spread_mm: float
    cells: int
    read: int
    refused: int
    empty: int
    below: tuple[Below, ...]


def expected_extreme(n: int) -> float:
    """Return the mean of the largest of n independent standard normal numbers.

    The least of n readings of one wall, each of standard uncertainty u, reads low by so many u.

    Notes
    -----
    ∫ x n φ(x) Φ(x)ⁿ⁻¹ dx, by quadrature; for n = 2, 3 and 5 it is 1/√π, 3/(2√π) and 1.16296 (Harter
    1961, table of expected values of normal order statistics, from memory).

    Examples
    --------
    >>> round(expected_extreme(2), 5), round(expected_extreme(5), 5)
    (0.56419, 1.16296)
    """
    x = np.linspace(-10.0, 10.0, 20001)
    density = np.exp(-0.5 * x * x) / np.sqrt(2.0 * np.pi)
    largest = n * density * ndtr(x) ** (n - 1)
    return float(np.trapezoid(x * largest, x))


def figures_of(cells: Cells, limits_mm: tuple[float, ...] = ()) -> Figures:
    """Return the figures of a surface.

    Parameters
    ----------
    cells : Cells
        With one reading at least that has a thickness; else every figure is NaN.
    limits_mm : tuple of float
        Thicknesses below which area is reckoned.
    """
    places = cells.places
    chosen = cells.least[cells.least >= 0]
    thickness = places.thickness_mm[chosen]
    u_random, u_common = places.u_random_mm[chosen], places.u_common_mm[chosen]
    counts: dict[str, Any] = {
        "cells": int(cells.least.size),
        "read": int(chosen.size),
        "refused": int(cells.only_refused.sum()),
        "empty": int(cells.empty.sum()),
    }
    if chosen.size == 0:
        nothing: dict[str, Any] = dict.fromkeys(
            ("least_mm", "u_least_mm", "x_mm", "y_mm", "low_by_mm", "mean_mm", "u_mean_mm"), np.nan
        )
        whole_mm2 = float(cells.area_mm2.sum())
        below = tuple(nothing_below(limit, whole_mm2) for limit in limits_mm)
        return Figures(row=-1, least_flags="", spread_mm=np.nan, below=below, **nothing, **counts)
    area_mm2 = cells.area_mm2[cells.least >= 0]
    # The mean follows each source as its readings do on the average.
    follows = [float(one[chosen].mean()) for one in places.shared.values()]
    unread_mm2 = float(cells.area_mm2.sum() - area_mm2.sum())
    ground = Ground(
        thickness_mm=thickness,
        u_random_mm=u_random,
        u_common_mm=u_common,
        area_mm2=area_mm2,
        unread_mm2=unread_mm2,
    )
    thinnest = int(chosen[np.argmin(thickness)])
    usable = places.usable & (places.thickness_mm >= 0.0)
    # Usual noise: a few doubtful readings of large u are not what an even wall is read with.
    noise = float(np.median(places.u_random_mm[usable]))
    return Figures(
        least_mm=float(places.thickness_mm[thinnest]),
        u_least_mm=float(places.u_mm[thinnest]),
        x_mm=float(places.x_mm[thinnest]),
        y_mm=float(places.y_mm[thinnest]),
        row=int(places.row[thinnest]),
        least_flags=names(int(places.flags[thinnest])),
        low_by_mm=noise * expected_extreme(int(usable.sum())),
        mean_mm=float(thickness.mean()),
        u_mean_mm=math.hypot(np.linalg.norm(u_random) / chosen.size, *follows),
        spread_mm=float(thickness.std()),
        below=tuple(ground.below(limit) for limit in limits_mm),
        **counts,
    )
