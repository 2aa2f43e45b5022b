"""Sections of a surface: the least wall along it, round it, along any line; thin ground."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.base.errors import fault
from ascan.kernels.arrays import BoolArray, FloatArray
from ascan.survey.cells import Cells
from ascan.survey.told import NORMAL


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Section:
    """Thickness along one way, every array of shape (n,); NaN where nothing was read.

    Attributes
    ----------
    name : str
        ``along``: the least of each column of cells; ``across``: the least of each row; ``line``.
    at_mm : ndarray
        Way along it.
    x_mm, y_mm : ndarray
        Where the wall that is told lies.
    thickness_mm, u_mm : ndarray
        Wall, and its combined standard uncertainty.
    """

    name: str
    at_mm: FloatArray
    x_mm: FloatArray
    y_mm: FloatArray
    thickness_mm: FloatArray
    u_mm: FloatArray

    @property
    def half_mm(self) -> FloatArray:
        """Half of the 95 % interval of one wall."""
        return NORMAL * self.u_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Extent:
    """Ground below a limit: one connected patch.

    Attributes
    ----------
    cells : int
    length_mm, width_mm : float
        Of the rectangle about it, along the cells' x and y axes.
    x_mm, y_mm : float
        Its middle.
    least_mm, u_least_mm : float
    mean_mm : float
        Of its cells.
    """

    cells: int
    length_mm: float
    width_mm: float
    x_mm: float
    y_mm: float
    least_mm: float
    u_least_mm: float
    mean_mm: float


def critical_profiles(cells: Cells) -> tuple[Section, Section]:
    """Return the least wall of each column (along x) and of each row (along y) of cells.

    References
    ----------
    Critical thickness profiles of fitness-for-service work: the least of each row and column of a
    grid, projected onto the two axes (API 579-1/ASME FFS-1, part 4, from memory).
    """
    return _least_of(cells, "along"), _least_of(cells, "across")


def _least_of(cells: Cells, name: str) -> Section:
    axis = 0 if name == "along" else 1
    thickness, u = cells.thickness_mm, cells.u_mm
    known = np.isfinite(thickness).any(axis=axis)
    index = np.argmin(np.where(np.isfinite(thickness), thickness, np.inf), axis=axis)
    x_mm, y_mm = cells.middles_mm

    def chosen(values: FloatArray) -> FloatArray:
        taken = np.take_along_axis(values, np.expand_dims(index, axis), axis).squeeze(axis)
        return np.asarray(np.where(known, taken, np.nan))

    edges = cells.edges_mm[0 if name == "along" else 1]
    return Section(
        name=name,
        at_mm=0.5 * (edges[1:] + edges[:-1]),
        x_mm=chosen(x_mm),
        y_mm=chosen(y_mm),
        thickness_mm=chosen(thickness),
        u_mm=chosen(u),
    )


def section_along(
    cells: Cells, start_mm: tuple[float, float], stop_mm: tuple[float, float]
) -> Section:
    """Return the wall along a straight line, cell by cell.

    Raises
    ------
    AscanError
        The line has no length, or runs off the ground all the way.
    """
    start, stop = np.array(start_mm), np.array(stop_mm)
    long_mm = float(np.hypot(*(stop - start)))
    if not long_mm > 0.0:
        raise fault("line", f"runs from {start_mm} to {stop_mm}", allowed="two different places")
    count = max(int(np.ceil(long_mm / (0.5 * cells.cell_mm))), 1) + 1
    at = np.linspace(0.0, long_mm, count)
    x, y = (start[:, None] + (stop - start)[:, None] * at / long_mm).tolist()
    column, line = (
        np.floor((np.array(value) - low) / cells.cell_mm + 1e-9).astype(np.int64)
        for value, low in ((x, cells.area.x_from_mm), (y, cells.area.y_from_mm))
    )
    ny, nx = cells.least.shape
    inside = (column >= 0) & (column < nx) & (line >= 0) & (line < ny)
    if not inside.any():
        raise fault("line", "runs off the ground", remedy="see the ends of the ground: ascan map")
    # Each cell once, where the line enters it.
    number = np.where(inside, line * nx + column, -1)
    enters = np.concatenate([[True], np.diff(number) != 0]) & inside
    thickness, u = cells.thickness_mm.ravel(), cells.u_mm.ravel()
    return Section(
        name="line",
        at_mm=at[enters],
        x_mm=np.array(x)[enters],
        y_mm=np.array(y)[enters],
        thickness_mm=thickness[number[enters]],
        u_mm=u[number[enters]],
    )


def extents_below(cells: Cells, limit_mm: float) -> list[Extent]:
    """Return the patches of ground that read below a limit, the one with the least wall first.

    Cells touch by their sides and corners. Length and width are those of the rectangle about a
    patch; whether a patch is acceptable is no question of this program.
    """
    from scipy.ndimage import find_objects, label

    thickness, u = cells.thickness_mm, cells.u_mm
    under = thickness < limit_mm
    patches, count = label(under, structure=np.ones((3, 3)))
    x_edges, y_edges = cells.edges_mm
    found = []
    for number, place in enumerate(find_objects(patches, count), 1):
        rows, columns = place
        own: BoolArray = patches == number
        least = int(np.argmin(np.where(own, thickness, np.inf)))
        ends = (
            (float(x_edges[columns.start]), float(x_edges[columns.stop])),
            (float(y_edges[rows.start]), float(y_edges[rows.stop])),
        )
        found.append(
            Extent(
                cells=int(own.sum()),
                length_mm=ends[0][1] - ends[0][0],
                width_mm=ends[1][1] - ends[1][0],
                x_mm=0.5 * sum(ends[0]),
                y_mm=0.5 * sum(ends[1]),
                least_mm=float(thickness.ravel()[least]),
                u_least_mm=float(u.ravel()[least]),
                mean_mm=float(thickness[own].mean()),
            )
        )
    return sorted(found, key=lambda one: one.least_mm)
