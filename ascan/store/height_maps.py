"""Height maps of a wall that was measured otherwise: CSV, or NPZ of places or of a grid."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from ascan.base.errors import file_fault as fault
from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.survey.height_map import HeightMap

COLUMNS = ("x_mm", "y_mm", "thickness_mm", "u_mm")


def load_height_map(path: str | Path, *, u_mm: float | None = None) -> HeightMap:
    """Read a height map.

    Parameters
    ----------
    path : path
        ``.csv`` with the columns ``x_mm``, ``y_mm``, ``thickness_mm`` and ``u_mm``, or ``.npz``
        with arrays of these names: places of shape (n,), or a grid, ``thickness_mm`` of shape
        (rows, columns) with ``x_mm`` (columns,) and ``y_mm`` (rows,). ``u_mm`` may be one number.
    u_mm : float, optional
        Standard uncertainty of every height, where the file holds none.

    Raises
    ------
    AscanError
        Not there, a column is missing or of another length or unit, no height, or no u.
    """
    place = str(path)
    try:
        found = _csv(path) if place.lower().endswith(".csv") else _npz(path)
    except OSError as problem:
        raise fault(place, f"cannot be read: {problem.strerror or problem}") from None
    except ValueError as problem:
        raise fault(place, f"is no height map: {problem}", allowed=".csv or .npz") from None
    for name in COLUMNS[:3]:
        if name not in found:
            others = [each for each in found if each.startswith(name.partition("_")[0])]
            holds = f"; it holds '{others[0]}'" if others else ""
            raise fault(place, f"lacks '{name}'{holds}", remedy="places and walls are in mm")
    if u_mm is not None:
        found["u_mm"] = np.array(u_mm)
    if "u_mm" not in found:
        raise fault(
            place, "lacks 'u_mm'", remedy="truth without uncertainty proves nothing: state it"
        )
    return _checked(place, found)


def _checked(place: str, found: Mapping[str, AnyArray]) -> HeightMap:
    """Return a map whose arrays agree."""
    x, y, wall = (np.asarray(found[name], np.float64) for name in COLUMNS[:3])
    if wall.ndim == 2 and (x.shape, y.shape) == ((wall.shape[1],), (wall.shape[0],)):
        x, y = np.meshgrid(x, y)
    if not x.shape == y.shape == wall.shape:
        shapes = ", ".join(
            f"{name} {each.shape}" for name, each in zip(COLUMNS[:3], (x, y, wall), strict=True)
        )
        raise fault(place, f"holds {shapes}", allowed="one place for each wall, or a grid")
    u = np.broadcast_to(np.asarray(found["u_mm"], np.float64), wall.shape)
    known = np.isfinite(wall)
    if not known.any() or (wall[known] < 0.0).any():
        raise fault(place, "holds no wall, or one below 0 mm")
    if not (u[known] >= 0.0).all():
        raise fault(place, "holds a u_mm that is no number of 0 or more")
    return HeightMap(x_mm=x[known], y_mm=y[known], thickness_mm=wall[known], u_mm=u[known])


def _csv(path: str | Path) -> dict[str, FloatArray]:
    with open(path, newline="", encoding="utf-8-sig") as file:
        rows = list(csv.reader(file))
    if len(rows) < 2:
        raise ValueError("it has no row below its heading")
    values = np.array([[float(cell or "nan") for cell in row] for row in rows[1:] if row])
    if values.shape[1] != len(rows[0]):
        raise ValueError(f"rows of {values.shape[1]} cells under {len(rows[0])} headings")
    return {name.strip(): values[:, k] for k, name in enumerate(rows[0])}


def _npz(path: str | Path) -> dict[str, AnyArray]:
    with np.load(path, allow_pickle=False) as packed:
        return {name: packed[name] for name in packed.files}
