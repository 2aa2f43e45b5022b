"""Sections of a known surface, and the extent of ground below a limit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from ascan import AscanError, Procedure, Scan, calibrate, measure_to_file
from ascan.commands.cli import main
from ascan.examples import PROCEDURE, plate_scan
from ascan.survey.cells import Cells, to_cells
from ascan.survey.places import Places
from ascan.survey.sections import critical_profiles, extents_below, section_along

NX, NY = 40, 25


def surface() -> Cells:
    """Return 8 mm with a thin spot of 6 by 3 cells at (10, 5), 5.5 mm at its thinnest."""
    y, x = (grid.ravel().astype(float) for grid in np.mgrid[:NY, :NX])
    wall = np.full(x.size, 8.0)
    wall[(x >= 10) & (x < 16) & (y >= 5) & (y < 8)] = 5.8
    wall[(x == 12) & (y == 6)] = 5.5
    wall[(x == 30) & (y == 20)] = 5.9
    wall[(x == 3) & (y == 3)] = np.nan
    places = Places(
        x_mm=x, y_mm=y, thickness_mm=wall, u_random_mm=np.full(x.size, 0.02), shared={},
        flags=np.zeros(x.size, np.uint32), row=np.arange(x.size),
    )  # fmt: skip
    return to_cells(places, cell_mm=1.0)


def test_least_of_rows_and_columns() -> None:
    along, across = critical_profiles(surface())
    assert (along.at_mm.size, across.at_mm.size) == (NX, NY)
    assert along.thickness_mm[12] == 5.5
    assert (along.x_mm[12], along.y_mm[12]) == (12.0, 6.0)
    assert across.thickness_mm[6] == 5.5
    assert along.thickness_mm[30] == across.thickness_mm[20] == 5.9
    assert (np.delete(along.thickness_mm, [*range(10, 16), 30]) == 8.0).all()
    assert along.half_mm == pytest.approx(1.96 * 0.02)


def test_length_and_width_of_ground_below_a_limit() -> None:
    patch, spot = extents_below(surface(), 6.0)
    assert (patch.cells, patch.length_mm, patch.width_mm) == (18, 6.0, 3.0)
    assert (patch.x_mm, patch.y_mm) == (12.5, 6.0)
    assert (patch.least_mm, patch.u_least_mm) == (5.5, 0.02)
    assert (spot.cells, spot.length_mm, spot.width_mm, spot.least_mm) == (1, 1.0, 1.0, 5.9)
    assert extents_below(surface(), 5.0) == []


def test_a_line_meets_each_cell_once() -> None:
    cells = surface()
    straight = section_along(cells, (0.0, 6.0), (39.0, 6.0))
    assert straight.thickness_mm.tolist() == cells.thickness_mm[6].tolist()
    slanted = section_along(cells, (0.0, 0.0), (24.0, 24.0))
    assert slanted.thickness_mm.size == 25
    assert np.isnan(slanted.thickness_mm[3])
    with pytest.raises(AscanError, match="runs off the ground"):
        section_along(cells, (100.0, 0.0), (120.0, 0.0))
    with pytest.raises(AscanError, match="two different places"):
        section_along(cells, (1.0, 1.0), (1.0, 1.0))


def test_the_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("matplotlib")
    monkeypatch.chdir(tmp_path)
    how = Procedure.from_text(PROCEDURE)
    steps = np.array([3.0, 5.0, 10.0, 20.0])
    fit = calibrate(plate_scan(steps), how, steps, u_known_mm=0.002)
    y, x = (grid.ravel().astype(float) for grid in np.mgrid[:4, :6])
    wall = np.where((x > 3) & (y > 1), 5.5, 8.0)
    rows = plate_scan(wall).rows.read_block(0, wall.size)
    scan = Scan.from_array(rows, sample_rate_mhz=100.0, columns={"x_mm": x, "y_mm": y})
    measure_to_file(scan, how, fit, "r.h5")
    words = "sections r.h5 --limit 6.00 --limit 5.0 --line 0,0,5,3 -o s.svg --csv s.csv"
    assert main(words.split()) == 0
    told = capsys.readouterr().out
    assert "1 patches read below 6.000 mm; no acceptance is decided here" in told
    assert "no cell reads below 5.000 mm" in told
    assert "2.0 mm along x, 2.0 mm along y" in told
    assert len(Path("s.csv").read_text().splitlines()) > 1 + 6 + 4
    assert main(["sections", "r.h5", "--line", "1,2,3"]) == 2
