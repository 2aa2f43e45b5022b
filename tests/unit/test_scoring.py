"""Readings against a height map: registration, what lies under a beam, verdicts, bad input."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ascan import AscanError, Flag, Readings
from ascan.commands import cli
from ascan.examples import plate_example, plate_scan
from ascan.store.height_maps import load_height_map
from ascan.store.stream import measure_to_file
from ascan.survey import HeightMap, score, under_beam

WAVELENGTH_MM = 1.184


def ground(pit_mm: float = 3.0) -> HeightMap:
    """Return 20 by 20 mm of an 8 mm wall every 0.25 mm, with a flat pit of 2 mm in its middle."""
    x, y = (each.ravel() for each in np.meshgrid(*[np.arange(0.0, 20.01, 0.25)] * 2))
    wall = np.where(np.hypot(x - 10.0, y - 10.0) <= 1.0, pit_mm, 8.0)
    return HeightMap(x_mm=x, y_mm=y, thickness_mm=wall, u_mm=np.full(x.size, 0.01))


def readings(thickness_mm: list[float], x_mm: list[float], flags: list[int]) -> Readings:
    n = len(x_mm)
    return Readings(
        {
            "thickness_mm": np.array(thickness_mm), "expanded_mm": np.full(n, 0.02),
            "x_mm": np.array(x_mm), "y_mm": np.full(n, 10.0), "flags": np.array(flags, np.uint32),
        },
        {},
    )  # fmt: skip


def test_each_verdict_is_counted_once() -> None:
    """Beside the pit; over it, silent and marked; one that is wrong; refused; one off the map."""
    care, fatal = int(Flag.WEAK_ECHO), int(Flag.NO_ECHO)
    measured = readings(
        [8.0, 8.0, 8.0, 9.0, np.nan, 8.0], [3.0, 10.0, 10.0, 5.0, 6.0, 40.0],
        [0, 0, care, 0, fatal, 0],
    )  # fmt: skip
    found = score(measured, ground(), beam_mm=4.0, wavelength_mm=WAVELENGTH_MM)
    assert found.counts() == {
        "readings": 6, "on_the_map": 5, "right_unmarked": 1, "right_marked": 0, "wrong_marked": 1,
        "wrong_unmarked": 2, "refused": 1, "thinner_wall_hidden_marked": 1,
        "thinner_wall_hidden_unmarked": 2,
    }  # fmt: skip
    assert found.columns()["verdict"].tolist()[-1] == "off the map"
    np.testing.assert_array_equal(found.columns()["true_least_mm"][:3], [8.0, 3.0, 3.0])


def test_what_a_failed_check_has_voided_counts_as_refused() -> None:
    measured = readings([8.0, 9.0], [3.0, 5.0], [0, 0])
    voided = Readings({**measured.columns, "check_status": np.array([0, 2], np.uint8)})
    counts = score(voided, ground(), beam_mm=4.0, wavelength_mm=WAVELENGTH_MM).counts()
    assert (counts["right_unmarked"], counts["refused"], counts["wrong_unmarked"]) == (1, 1, 0)


def test_what_lies_under_a_beam() -> None:
    """A pit of 2 mm under a beam of 4 mm: a quarter of its area, within the grid's own error."""
    under = under_beam(ground(), np.array([10.0]), np.array([10.0]), 4.0)
    assert under.truth.axis_mm == 3.0
    assert abs(under.truth.mean_mm[0] - (8.0 - 5.0 / 4.0)) < 0.15
    assert under.u_mm == 0.01


@settings(max_examples=20, deadline=None)
@given(st.floats(-50.0, 50.0), st.floats(-50.0, 50.0), st.floats(-180.0, 180.0))
def test_a_turned_and_shifted_map_meets_turned_and_shifted_readings(
    x_mm: float, y_mm: float, angle_deg: float
) -> None:
    """A quarter turn and back, or any other: the pit is where the raster has it."""
    turn = np.deg2rad(angle_deg)
    at_x = x_mm + np.cos(turn) * 10.0 - np.sin(turn) * 10.0
    at_y = y_mm + np.sin(turn) * 10.0 + np.cos(turn) * 10.0
    moved = ground().moved((x_mm, y_mm), angle_deg)
    assert under_beam(moved, np.array([at_x]), np.array([at_y]), 1.0).truth.axis_mm == 3.0


def write(path: Path, text: str) -> Path:
    path.write_text(text)
    return path


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("x_mm,y_mm,thickness_mm\n1,2,8\n", "lacks 'u_mm'"),
        ("x_in,y_in,thickness_mm,u_mm\n1,2,8,0.1\n", "lacks 'x_mm'; it holds 'x_in'"),
        ("x_mm,y_mm,thickness_mm,u_mm\n1,2,-8,0.1\n", "below 0 mm"),
        ("x_mm,y_mm,thickness_mm,u_mm\n1,2,8,-0.1\n", "u_mm"),
        ("x_mm,y_mm,thickness_mm,u_mm\n1,2,eight,0.1\n", "is no height map"),
        ("x_mm,y_mm,thickness_mm,u_mm\n", "no row below its heading"),
    ],
)
def test_a_map_that_is_none(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(AscanError, match=said):
        load_height_map(write(tmp_path / "map.csv", text))


def test_a_map_as_grid_is_the_same_as_places(tmp_path: Path) -> None:
    x, y = np.arange(3.0), np.arange(2.0)
    wall = np.array([[8.0, 8.1, 8.2], [7.0, 7.1, np.nan]])
    np.savez(tmp_path / "map.npz", x_mm=x, y_mm=y, thickness_mm=wall, u_mm=0.02)
    one = load_height_map(tmp_path / "map.npz")
    rows = ["x_mm,y_mm,thickness_mm,u_mm"]
    rows += [f"{x[j]},{y[k]},{wall[k, j]},0.02" for k in range(2) for j in range(3)]
    other = load_height_map(write(tmp_path / "map.csv", "\n".join(rows).replace("nan", "")))
    for name in ("x_mm", "y_mm", "thickness_mm", "u_mm"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))


def test_a_map_that_misses_the_readings_says_where_both_lie() -> None:
    measured = readings([8.0], [400.0], [0])
    with pytest.raises(AscanError, match=r"covers x 0.0 to 20.0 mm.*readings lie at x 400.0"):
        score(measured, ground(), beam_mm=4.0, wavelength_mm=WAVELENGTH_MM)


def test_readings_without_positions_cannot_be_scored() -> None:
    bare = Readings({"thickness_mm": np.ones(1), "flags": np.zeros(1, np.uint32)}, {})
    with pytest.raises(AscanError, match="hold no column x_mm"):
        score(bare, ground(), beam_mm=4.0, wavelength_mm=WAVELENGTH_MM)


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, procedure, calibration = plate_example(8.0)
    scan = plate_scan(np.full(5, 8.0))
    places = {"x_mm": np.arange(5.0), "y_mm": np.zeros(5)}
    scan = dataclasses.replace(scan, columns={**scan.columns, **places})
    measure_to_file(scan, procedure, calibration, tmp_path / "readings.h5")
    rows = "".join(f"{k + 100},50,8.0,0.005\n" for k in range(5))
    truth = write(tmp_path / "map.csv", "x_mm,y_mm,thickness_mm,u_mm\n" + rows)
    words = ["score", str(tmp_path / "readings.h5"), "--truth", str(truth), "--beam-mm", "1"]
    assert cli.main([*words, "--offset-mm", "-100,-50", "--csv", str(tmp_path / "each.csv")]) == 0
    said = capsys.readouterr().out
    assert "5 of 5 readings lie on the map" in said
    assert "Caution" in said
    assert len((tmp_path / "each.csv").read_text().splitlines()) == 6
    assert cli.main(words) == cli.BAD_INPUT
    assert "state the map's offset" in capsys.readouterr().err
