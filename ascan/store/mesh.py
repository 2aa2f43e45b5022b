"""A surface as an open mesh: its outside flat, its inside as deep as the readings say."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from ascan.base.errors import file_fault as fault
from ascan.store.replacing import whole_file
from ascan.survey.cells import Cells

FORMATS = (".vtu", ".vtk", ".ply", ".stl", ".obj")


def save_mesh(cells: Cells, path: str | Path, *, replace: bool = False) -> None:
    """Write the inside of the wall, one square for each cell that was read.

    On a pipe the squares lie round its axis. ``.vtu`` and ``.vtk`` carry thickness, its u and the
    row of each cell; other kinds carry the shape alone. Needs ``meshio`` (extra ``mesh``).

    Raises
    ------
    AscanError
        Another kind of file, or no cell that was read.
    """
    path = Path(path)
    if path.suffix.lower() not in FORMATS:
        raise fault(str(path), f"ends in '{path.suffix}'", allowed=", ".join(FORMATS))
    import meshio

    known = cells.least >= 0
    if not known.any():
        raise fault(str(path), "would be empty: nothing was measured")
    line, column = np.nonzero(known)
    x, y = cells.edges_mm
    thickness = cells.thickness_mm[known]
    corners = ((0, 0), (1, 0), (1, 1), (0, 1))
    flat = np.stack(
        [np.column_stack([x[column + i], y[line + j], -thickness]) for i, j in corners], axis=1
    )
    points = flat.reshape(-1, 3)
    if cells.places.round_mm:
        radius = cells.places.round_mm / (2.0 * np.pi)
        angle, deep = points[:, 1] / radius, radius + points[:, 2]
        points = np.column_stack([points[:, 0], deep * np.sin(angle), deep * np.cos(angle)])
    # Not every kind of file holds longer integers.
    squares = np.arange(len(points), dtype=np.int32).reshape(-1, 4)
    data = {}
    if path.suffix.lower() in (".vtu", ".vtk"):
        data = {
            "thickness_mm": [thickness],
            "u_mm": [cells.u_mm[known]],
            "row": [cells.places.row[cells.least[known]].astype(np.int64)],
        }
    shape = [("quad", squares)]
    if path.suffix.lower() == ".stl":
        shape = [("triangle", np.concatenate([squares[:, [0, 1, 2]], squares[:, [0, 2, 3]]]))]
    mesh = meshio.Mesh(points, shape, cell_data=data)
    with whole_file(path, replace=replace) as part:
        mesh.write(part, file_format=path.suffix.lower().removeprefix("."))
