"""Dual-element probes in a plane: two wedges, a barrier between them, a film under each shoe.

The wedges carry shear waves and lose some of all waves on the way. The tilt of an element is a
delay along it: its face lies on a row of cells, and pushes into the wedge below and into a backing
above that takes all it gets. Without that, what comes back up a wedge would go down once more and
stand 20 mm of steel behind every echo. The wedges reach to the sponge at either side. A film
is a fluid, thinner than a cell where it has to be (`media.layers`); it lets no shear
through. Roughness and curvature are those of grooves and pipes that run along the barrier.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .finite_differences import solid_of
from .media import Cells, Floats, Grid, Medium, layers, side_by_side
from .plane_probes import (
    CELL_MM,
    PAD,
    STEEL,
    Aperture,
    Setting,
    Sides,
    Wall,
    columns_mm,
    depths,
    grid_of,
)
from .plane_walls import flat, rough

# A wedge of a clear plastic: handbook velocities and density, a loss of 0.15 dB/mm and, of shear,
# some five times as much (from memory, round). A couplant of oil, a paint, cork that leaks: round
# values, from memory.
WEDGE = Medium(2.35, 1.12, 1.05, 0.04, 0.12)
COUPLANT, PAINT = Medium(1.5, 0.0, 1.0), Medium(2.4, 1.1, 1.5, 0.05, 0.05)
LEAKING = Medium(1.2, 0.0, 0.25)
SIDES, BARRIER_MM = Sides(10.5), 0.3
# Velocities and stresses lose it both, so that nothing is reflected where it begins; down to 1 % on
# the way up and down 2 mm.
BACKING_LOSS = 3.0
WALLS_MM = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.5, 8.0, 10.0, 15.0, 20.0, 25.0)
STEPS_MM = (1.0, 3.0, 8.0, 15.0, 25.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shoes:
    """A dual-element probe and how it stands on the surface; lengths in mm.

    The height and the film of a flat probe are whole cells together, and so is the backing; none
    leaves the wedges' upper faces free. ``tilt_mm``: how much more
    film there is under the outer edge of the hearing element than at the barrier. ``radius_mm``: of
    the outside surface, bulging; 0 is flat. ``barrier``: what fills it, nothing where None.
    """

    wedge: Medium = WEDGE
    height_mm: float = 8.03
    width_mm: float = 5.0
    gap_mm: float = 1.0
    backing_mm: float = 2.0
    roof_deg: float = 6.0
    film_mm: float = 0.01
    tilt_mm: float = 0.0
    radius_mm: float = 0.0
    paint_mm: float = 0.0
    barrier: Medium | None = None


WARM = WEDGE._replace(
    longitudinal_mm_per_us=0.99 * WEDGE.longitudinal_mm_per_us,
    transverse_mm_per_us=0.99 * WEDGE.transverse_mm_per_us,
)
SET_UPS = {
    "as calibrated": Shoes(),
    "curved, 60 mm": Shoes(radius_mm=60.0),
    "warm wedge": Shoes(wedge=WARM),
    "film 0.05 mm": Shoes(film_mm=0.05),
    "tilted element": Shoes(tilt_mm=0.15),
    "leaking barrier": Shoes(barrier=LEAKING),
    "rough back wall": Shoes(),
    "paint 0.2 mm": Shoes(paint_mm=0.2),
    "gap 2 mm": Shoes(gap_mm=2.0),
}
ROUGH_MM, CORRELATION_MM = 0.1, 1.0


def wall_of(set_up: str, thickness_mm: float) -> Wall:
    """Return the wall of a set-up: flat, or rough by its own draw."""
    if set_up != "rough back wall":
        return flat(thickness_mm)
    return rough(thickness_mm, ROUGH_MM, CORRELATION_MM, seed=round(100.0 * thickness_mm))


def surfaces(grid: Grid, shoes: Shoes) -> tuple[Floats, Floats]:
    """Return how much an element's wedge is lifted, and how deep the surface sags, (wide,)."""
    inner, outer = 0.5 * shoes.gap_mm, 0.5 * shoes.gap_mm + shoes.width_mm
    lifted = shoes.tilt_mm * np.clip((grid.x_mm - inner) / (outer - inner), 0.0, 1.0)
    if shoes.radius_mm == 0.0:
        return lifted, np.zeros(grid.x_mm.size)
    return lifted, shoes.radius_mm - np.sqrt(shoes.radius_mm**2 - grid.x_mm**2)


def back_face(x_mm: Floats, shoes: Shoes, wall: Wall) -> Floats:
    """Return how deep the back wall lies below the surface at the barrier, shape (wide,)."""
    thick = depths(x_mm, wall)
    if shoes.radius_mm == 0.0:
        return thick
    return shoes.radius_mm - np.sqrt((shoes.radius_mm - thick) ** 2 - x_mm**2)


def cells_of(grid: Grid, shoes: Shoes, wall: Wall | None) -> tuple[Cells, Floats, Floats]:
    """Return the cells, and how deep the elements lie: in mm, and in whole cells, (wide,)."""
    lifted, sags = surfaces(grid, shoes)
    top = shoes.backing_mm + shoes.tilt_mm - lifted
    whole = CELL_MM * np.floor(top / CELL_MM + 1e-6)
    bottom = top + shoes.height_mm
    surface = shoes.backing_mm + shoes.tilt_mm + shoes.height_mm + shoes.film_mm + sags
    shod = np.abs(grid.x_mm) >= 0.5 * BARRIER_MM - 1e-9
    if wall is None:
        under, between = [bottom], []
    else:
        face = surface[grid.x_mm.size // 2] + back_face(grid.x_mm, shoes, wall)
        under, between = [bottom, surface, face], [COUPLANT, STEEL]
        if shoes.paint_mm > 0.0:
            face = face + shoes.paint_mm
            under = [bottom, surface, surface + shoes.paint_mm, face]
            between = [COUPLANT, PAINT, STEEL]
    backing = shoes.wedge._replace(loss=BACKING_LOSS)
    edges = [whole - shoes.backing_mm, whole, *under]
    cells = layers(grid, edges, [backing, shoes.wedge, *between])
    # The barrier ends where the film begins: what is under it lies on the wall, if anything.
    bare = [np.ceil(under[1] / CELL_MM - 1e-6) * CELL_MM, *under[2:]] if between else [0.0, 0.0]
    if shoes.barrier is not None:
        bare = [whole, *(bare if between else [bottom])]
    filling = ([] if shoes.barrier is None else [shoes.barrier]) + between[1:]
    bridge = layers(grid, bare, filling or [STEEL])
    return side_by_side(shod, cells, bridge), top, whole


def dual_element(wall: Wall | None, shoes: Shoes, sides: Sides = SIDES) -> Setting:
    """Return a dual-element probe on a wall; the left element sends, the right one hears.

    No wall leaves the shoes free: what is heard then came through the barrier.
    """
    most = 0.0 if wall is None else float(back_face(columns_mm(sides), shoes, wall).max())
    above = shoes.backing_mm + shoes.height_mm + shoes.film_mm + shoes.tilt_mm + shoes.paint_mm
    grid = grid_of(sides, above + most)
    cells, top, whole = cells_of(grid, shoes, wall)
    far, x = 0.5 * shoes.gap_mm + shoes.width_mm, grid.x_mm
    inside = (np.abs(x) > 0.5 * shoes.gap_mm) & (np.abs(x) < far)
    slow = shoes.wedge.longitudinal_mm_per_us
    late = (math.tan(math.radians(shoes.roof_deg)) * (far - np.abs(x)) + whole - top) / slow
    rows = PAD + np.rint(whole / CELL_MM).astype(np.int64)
    apertures = [
        Aperture(rows[on], on, late[on])
        for on in (np.flatnonzero(inside & (x < 0.0)), np.flatnonzero(inside & (x > 0.0)))
    ]
    return Setting(grid, solid_of(grid, cells), *apertures)
