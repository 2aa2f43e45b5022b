"""Single elements in a plane: on the wall itself, or behind a delay line.

Plane means that an element is an endless strip and a pit a groove. The element is a stretch of a
free face that pushes and hears: it has no backing and no stiffness of its own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from .finite_differences import (
    Integers,
    Nodes,
    Solid,
    Source,
    at_rest,
    on_average,
    propagate,
    solid_of,
)
from .media import Cells, Floats, Grid, Medium, layers

CELL_MM, PAD = 0.04, 4
# Handbook values, from memory; a delay line of acrylic.
STEEL, LINE = Medium(5.92, 3.255, 7.85), Medium(2.73, 1.43, 1.18)
ELEMENT_MM, LINE_MM = 6.0, 12.0
# Depth of the back wall's face below the outside surface at a place along it, both in mm.
Wall = Callable[[float], float]


class Sides(NamedTuple):
    """How far a grid reaches to either side, how much of that absorbs, and how strongly."""

    half_mm: float
    sponge_mm: float = 3.0
    sponge: float = 0.06


SIDES = Sides(8.5)


class Aperture(NamedTuple):
    """Nodes that an element pushes or hears, and how late each, in µs."""

    rows: Integers
    columns: Integers
    late_us: Floats


@dataclass(frozen=True, eq=False, slots=True)
class Setting:
    """A probe on a wall, ready to run."""

    grid: Grid
    solid: Solid
    sends: Aperture
    hears: Aperture


def columns_mm(sides: Sides) -> Floats:
    """Return the middles of a grid's columns."""
    reach = int(sides.half_mm / CELL_MM)
    return np.asarray(CELL_MM * np.arange(-reach, reach + 1), np.float64)


def grid_of(sides: Sides, deep_mm: float) -> Grid:
    """Return a grid so wide and so deep, with an empty rim."""
    rows = np.arange(int(deep_mm / CELL_MM) + 2 * PAD + 3, dtype=np.float64)
    z = CELL_MM * (rows - PAD)
    fastest = STEEL.longitudinal_mm_per_us
    return Grid(CELL_MM, columns_mm(sides), z, fastest, sides.sponge_mm, sides.sponge)


def depths(x_mm: Floats, wall: Wall) -> Floats:
    """Return a wall in each column, shape (wide,)."""
    return np.array([wall(float(at)) for at in x_mm])


def bonded(grid: Grid, path_mm: float, medium: Medium, wall_mm: Floats | None) -> Cells:
    """Return a delay line (none where the path is 0) on a wall; on nothing where that is None."""
    if wall_mm is None:
        return layers(grid, [0.0, path_mm], [medium])
    if path_mm == 0.0:
        return layers(grid, [0.0, wall_mm], [STEEL])
    return layers(grid, [0.0, path_mm, path_mm + wall_mm], [medium, STEEL])


def single_element(wall: Wall | None, path_mm: float = 0.0, sides: Sides = SIDES) -> Setting:
    """Return an element of 6 mm on a wall, or behind a delay line of ``path_mm``.

    No wall leaves the delay line's face free.
    """
    wall_mm = None if wall is None else depths(columns_mm(sides), wall)
    grid = grid_of(sides, path_mm + (0.0 if wall_mm is None else float(wall_mm.max())))
    columns = np.flatnonzero(np.abs(grid.x_mm) <= 0.5 * ELEMENT_MM)
    aperture = Aperture(np.full(columns.size, PAD), columns, np.zeros(columns.size))
    solid = solid_of(grid, bonded(grid, path_mm, LINE, wall_mm))
    return Setting(grid, solid, aperture, aperture)


def heard(setting: Setting, signal: Floats, span_us: float) -> Floats:
    """Return what the element hears at every step of the grid, shape (steps,).

    ``signal`` is what it pushes, sampled at the grid's steps.
    """
    grid, sends, hears = setting.grid, setting.sends, setting.hears
    moved = propagate(
        setting.solid,
        at_rest(grid),
        Source(signal, sends.rows, sends.columns, sends.late_us / grid.step_us),
        Nodes(hears.rows, hears.columns),
        int(span_us / grid.step_us),
        grid.ratio,
    )
    return on_average(moved, hears.late_us / grid.step_us)
