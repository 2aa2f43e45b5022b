"""A surface in cells: the least reading of each, never smoothed, and where nothing was read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from ascan.base.errors import fault, limit_fault
from ascan.base.flags import is_marked
from ascan.kernels.arrays import BoolArray, FloatArray, IntArray
from ascan.survey.places import Places
from ascan.survey.told import Told

Lengths = TypeVar("Lengths", float, FloatArray)
MOST_CELLS = 4_000_000
# Places that differ by less are one.
SAME_PLACE_MM = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """The ground that is to be covered, as corners of a rectangle."""

    x_from_mm: float
    x_to_mm: float
    y_from_mm: float
    y_to_mm: float

    def __post_init__(self) -> None:
        if not (self.x_to_mm > self.x_from_mm and self.y_to_mm > self.y_from_mm):
            raise fault("area", f"is {self}", allowed="a start below its end, along x and y")

    @property
    def mm2(self) -> float:
        """Its size."""
        return (self.x_to_mm - self.x_from_mm) * (self.y_to_mm - self.y_from_mm)


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Cells:
    """Square cells, row after row along y.

    Attributes
    ----------
    area : Area
    cell_mm : float
    least : ndarray of int, shape (ny, nx)
        Index of the thinnest reading in each cell, −1 where there is none.
    usable, refused : ndarray of int, shape (ny, nx)
        How many readings have a thickness there, and how many have none.
    outside : ndarray of bool, shape (n,)
        Readings that lie off the area and are in no cell.
    places : Places
    """

    area: Area
    cell_mm: float
    least: IntArray
    usable: IntArray
    refused: IntArray
    outside: BoolArray
    places: Places

    @property
    def thickness_mm(self) -> FloatArray:
        """Least reading of each cell, shape (ny, nx); NaN where there is none."""
        return self.of_least(self.places.thickness_mm)

    @property
    def u_mm(self) -> FloatArray:
        """Its combined standard uncertainty."""
        return self.of_least(self.places.u_mm)

    @property
    def told(self) -> Told:
        """Least readings with what they are uncertain by, shape (ny × nx,)."""
        freedom = self.places.random_freedom
        return Told(
            thickness_mm=self.thickness_mm.ravel(),
            u_random_mm=self.of_least(self.places.u_random_mm).ravel(),
            shared={s: self.of_least(one).ravel() for s, one in self.places.shared.items()},
            random_freedom=None if freedom is None else self.of_least(freedom).ravel(),
        )

    @property
    def with_care(self) -> BoolArray:
        """Cells whose least reading bears a mark, shape (ny, nx)."""
        return np.asarray(self.of_least(is_marked(self.places.flags).astype(np.float64)) == 1.0)

    @property
    def only_refused(self) -> BoolArray:
        """Cells that were scanned and in which nothing could be measured."""
        return np.asarray((self.usable == 0) & (self.refused > 0))

    @property
    def empty(self) -> BoolArray:
        """Cells that no position fell into."""
        return np.asarray((self.usable == 0) & (self.refused == 0))

    @property
    def edges_mm(self) -> tuple[FloatArray, FloatArray]:
        """Edges of the cells along x, shape (nx + 1,), and along y, shape (ny + 1,).

        The last cells end where the ground does.
        """
        ny, nx = self.least.shape
        x = self.area.x_from_mm + self.cell_mm * np.arange(nx + 1)
        y = self.area.y_from_mm + self.cell_mm * np.arange(ny + 1)
        return np.minimum(x, self.area.x_to_mm), np.minimum(y, self.area.y_to_mm)

    @property
    def area_mm2(self) -> FloatArray:
        """Ground of each cell, shape (ny, nx): less than a whole square where the ground ends."""
        x, y = self.edges_mm
        return np.outer(np.diff(y), np.diff(x))

    @property
    def middles_mm(self) -> tuple[FloatArray, FloatArray]:
        """Middles of the cells along x and y, each of shape (ny, nx); on a pipe y from the top."""
        x, y = (0.5 * (edges[1:] + edges[:-1]) for edges in self.edges_mm)
        y = y % self.places.round_mm if self.places.round_mm else y
        x_mm, y_mm = np.meshgrid(x, y)
        return x_mm, y_mm

    def of_least(self, values: FloatArray) -> FloatArray:
        """Return what readings hold, one value each, of the least of each cell; else NaN."""
        out = np.full(self.least.shape, np.nan)
        known = self.least >= 0
        out[known] = values[self.least[known]]
        return out


def pitch_of(places: Places) -> float:
    """Return the usual distance from a position to the next one, along x or y, whichever is more.

    A cell so large holds a position of a raster of unequal steps, too.

    Raises
    ------
    AscanError
        Fewer than two places.
    """
    from scipy.spatial import cKDTree

    points = np.unique(np.column_stack([places.x_mm, places.y_mm]), axis=0)
    if len(points) < 2:
        raise fault("positions", "are all one", remedy="give the size of a cell")
    nearest = float(np.median(cKDTree(points).query(points, k=2)[0][:, 1]))
    return max(nearest, _step(points[:, 0]), _step(points[:, 1]))


def _step(at_mm: FloatArray) -> float:
    """Return the usual step between lines of a raster, 0 where positions form none."""
    lines = np.unique(np.round(at_mm, 6))
    return float(np.median(np.diff(lines))) if 1 < lines.size <= at_mm.size / 2 else 0.0


def area_of(places: Places, cell_mm: float) -> Area:
    """Return the rectangle about all positions: half a step more than they reach.

    It ends with the cell that holds the last position: a strip beyond would count as ground that
    was left out. On a pipe it begins after the widest stretch without a position, if that is wider
    than cells are: what was scanned may lie across the top.
    """
    x, y = places.x_mm, places.y_mm
    if places.round_mm:
        round_to = np.sort(y)
        gaps = np.diff(round_to, append=round_to[0] + places.round_mm)
        if gaps.max() > 2.0 * cell_mm:
            y = along(y, round_to[(int(np.argmax(gaps)) + 1) % gaps.size], places.round_mm)
    (x0, x1), (y0, y1) = (_reach(at_mm, cell_mm) for at_mm in (x, y))
    if places.round_mm:
        y1 = min(y1, y0 + places.round_mm)
    return Area(x_from_mm=x0, x_to_mm=x1, y_from_mm=y0, y_to_mm=y1)


def _reach(at_mm: FloatArray, cell_mm: float) -> tuple[float, float]:
    """Return from where to where positions reach along one axis."""
    half = 0.5 * min(_step(at_mm) or cell_mm, cell_mm)
    first, last = float(at_mm.min()) - half, float(at_mm.max())
    cells = np.floor((last - first) / cell_mm + 1e-9) + 1.0
    return first, min(last + half, first + cells * cell_mm)


def along(y_mm: Lengths, from_mm: float, round_mm: float) -> Lengths:
    """Return places round a pipe counted on from one of them."""
    return from_mm + (y_mm - from_mm + SAME_PLACE_MM) % round_mm - SAME_PLACE_MM


def to_cells(places: Places, *, cell_mm: float | None = None, area: Area | None = None) -> Cells:
    """Sort readings into cells.

    Parameters
    ----------
    places : Places
    cell_mm : float, optional
        Side of a cell; without it, the pitch of the positions.
    area : Area, optional
        The ground to be covered; without it, what the positions span. Positions off it are in no
        cell, and told (`Cells.outside`).

    Raises
    ------
    AscanError
        A size that is not above 0, or more than 4 million cells.

    Examples
    --------
    >>> import numpy as np
    >>> n = np.arange(4.0)
    >>> places = Places(
    ...     x_mm=n % 2, y_mm=n // 2, thickness_mm=np.array([8.0, 7.5, np.nan, 8.1]),
    ...     u_random_mm=0.01 + 0 * n, shared={},
    ...     flags=np.zeros(4, np.uint32), row=n)
    >>> to_cells(places).thickness_mm.tolist()
    [[8.0, 7.5], [nan, 8.1]]
    """
    cell_mm = pitch_of(places) if cell_mm is None else cell_mm
    if not 0.0 < cell_mm < np.inf:
        raise fault("cell", f"is {cell_mm:g} mm", allowed="above 0 mm")
    area = area_of(places, cell_mm) if area is None else area
    nx, ny = (
        max(int(np.ceil(length / cell_mm - 1e-6)), 1)
        for length in (area.x_to_mm - area.x_from_mm, area.y_to_mm - area.y_from_mm)
    )
    if nx * ny > MOST_CELLS:
        made = f"of {cell_mm:g} mm makes {nx * ny} cells"
        raise limit_fault("cell", made, allowed=f"{MOST_CELLS}")
    y_mm = along(places.y_mm, area.y_from_mm, places.round_mm) if places.round_mm else places.y_mm
    ends = (
        (places.x_mm, area.x_from_mm, area.x_to_mm),
        (y_mm, area.y_from_mm, area.y_to_mm),
    )
    inside = np.ones(len(places), np.bool_)
    for at, low, high in ends:
        inside &= (at >= low - SAME_PLACE_MM) & (at <= high + SAME_PLACE_MM)
    # What lies on an edge of the ground belongs to it.
    column, line = (
        np.floor((at - low) / cell_mm + 1e-9).clip(0, count - 1).astype(np.int64)
        for (at, low, _), count in zip(ends, (nx, ny), strict=True)
    )
    number = line * nx + column
    known = inside & places.usable
    counts = [
        np.bincount(number[chosen], minlength=nx * ny).reshape(ny, nx)
        for chosen in (known, inside & ~places.usable)
    ]
    # Thickest first, so that the thinnest of a cell is written last.
    order = np.flatnonzero(known)
    order = order[np.argsort(-places.thickness_mm[order], kind="stable")]
    least = np.full(nx * ny, -1, np.int64)
    least[number[order]] = order
    return Cells(
        area=area,
        cell_mm=float(cell_mm),
        least=least.reshape(ny, nx),
        usable=counts[0],
        refused=counts[1],
        outside=~inside,
        places=places,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """How much of the ground lies under the beam of a usable reading, as shares of its area.

    Attributes
    ----------
    covered, twice : float
        Under one beam at least, and under two or more.
    refused : float
        Under beams of refused or void positions alone.
    pitch_mm : float
        Usual distance of neighbours.
    widest_gap_mm : float
        Diameter of the largest circle on the ground that holds no usable position.
    """

    covered: float
    twice: float
    refused: float
    pitch_mm: float
    widest_gap_mm: float


def coverage_of(places: Places, area: Area, beam_mm: float, *, points: int = 200_000) -> Coverage:
    """Return how an area is covered by beams of a diameter, counted on a fine grid of points."""
    from scipy.spatial import cKDTree

    if not beam_mm > 0.0:
        raise fault("beam", f"is {beam_mm:g} mm", allowed="above 0 mm")
    wide, high = area.x_to_mm - area.x_from_mm, area.y_to_mm - area.y_from_mm
    step = np.sqrt(area.mm2 / points)
    nx, ny = max(int(np.ceil(wide / step)), 2), max(int(np.ceil(high / step)), 2)
    x = area.x_from_mm + wide * (np.arange(nx) + 0.5) / nx
    y = area.y_from_mm + high * (np.arange(ny) + 0.5) / ny
    ground = np.column_stack([g.ravel() for g in np.meshgrid(x, y)])
    spots = np.column_stack([places.x_mm, places.y_mm])
    distance = [np.full((len(ground), 2), np.inf), np.full((len(ground), 1), np.inf)]
    for k, (chosen, count) in enumerate(((places.usable, 2), (~places.usable, 1))):
        some = _wrapped(np.unique(spots[chosen], axis=0), places.round_mm)
        if len(some) >= count:
            found = cKDTree(some).query(ground, k=count)[0]
            distance[k] = found.reshape(len(ground), count)
    near = distance[0] <= 0.5 * beam_mm
    covered, twice = near[:, 0].mean(), near[:, 1].mean()
    refused = (~near[:, 0] & (distance[1][:, 0] <= 0.5 * beam_mm)).mean()
    return Coverage(
        covered=float(covered),
        twice=float(twice),
        refused=float(refused),
        pitch_mm=pitch_of(places),
        widest_gap_mm=float(2.0 * distance[0][:, 0].max()),
    )


def _wrapped(points: FloatArray, round_mm: float) -> FloatArray:
    """Return points and, on a pipe, their images one turn on and one turn back."""
    if not round_mm:
        return points
    turn = np.array([0.0, round_mm])
    return np.concatenate([points, points + turn, points - turn])
