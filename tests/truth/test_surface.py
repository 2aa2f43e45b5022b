"""Figures of a surface against closed forms and against walls whose truth is known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ascan import Flag, Readings
from ascan.base.errors import AscanError
from ascan.kernels.arrays import FloatArray
from ascan.report.surface_lines import surface_lines
from ascan.results.sources import Source
from ascan.survey.cells import Area, coverage_of, pitch_of, to_cells
from ascan.survey.change import change_between, least_years, remaining_years
from ascan.survey.figures import expected_extreme, figures_of
from ascan.survey.indications import indications_of
from ascan.survey.joining import Placement, join, placed
from ascan.survey.places import Places, places_of
from ascan.survey.told import Told

CALIBRATION, OTHER = (Source(name="calibration_level", of=name) for name in ("one", "other"))


def told(
    thickness_mm: FloatArray, u: FloatArray, shared: FloatArray, source: Source = CALIBRATION
) -> Told:
    return Told(thickness_mm=thickness_mm, u_random_mm=u, shared={source: shared})


def places(
    x_mm: FloatArray,
    y_mm: FloatArray,
    thickness_mm: FloatArray,
    u_random_mm: float = 0.0,
    u_common_mm: float = 0.0,
    round_mm: float = 0.0,
) -> Places:
    none = np.zeros_like(x_mm)
    return Places(
        x_mm=x_mm,
        y_mm=y_mm,
        thickness_mm=thickness_mm,
        u_random_mm=u_random_mm + none,
        shared={CALIBRATION: u_common_mm + none},
        flags=np.zeros(x_mm.size, np.uint32),
        row=np.arange(x_mm.size),
        round_mm=round_mm,
    )


def raster(nx: int, ny: int, pitch_mm: float) -> tuple[FloatArray, FloatArray]:
    x, y = np.meshgrid(pitch_mm * np.arange(nx), pitch_mm * np.arange(ny))
    return x.ravel(), y.ravel()


@pytest.mark.parametrize(("beam", "share"), [(0.5, np.pi / 16.0), (1.0, np.pi / 4.0)])
def test_coverage_of_a_square_raster(beam: float, share: float) -> None:
    """Beams that do not overlap cover π b² / 4 of each square of one pitch."""
    x, y = raster(20, 15, 2.0)
    some = places(x, y, 8.0 + 0.0 * x)
    area = Area(x_from_mm=-1.0, x_to_mm=39.0, y_from_mm=-1.0, y_to_mm=29.0)
    found = coverage_of(some, area, 2.0 * beam)
    assert abs(found.covered - share) < 0.01
    assert found.twice < 1e-3
    assert found.pitch_mm == 2.0
    assert abs(found.widest_gap_mm - 2.0 * np.sqrt(2.0)) < 0.15


def test_coverage_counts_refused_ground_and_wraps_round_a_pipe() -> None:
    x, y = raster(10, 10, 1.0)
    thickness = np.where(x < 5.0, 8.0, np.nan)
    area = Area(x_from_mm=-0.5, x_to_mm=9.5, y_from_mm=-0.5, y_to_mm=9.5)
    found = coverage_of(places(x, y, thickness), area, 1.5)
    assert abs(found.covered - 0.5) < 0.03
    assert abs(found.refused - 0.5) < 0.03
    # One line of positions at y = 0 of a pipe 20 mm round: beams reach over the seam.
    line = places(np.arange(10.0), np.zeros(10), np.full(10, 8.0), round_mm=20.0)
    seam = Area(x_from_mm=0.0, x_to_mm=9.0, y_from_mm=19.0, y_to_mm=20.0)
    assert coverage_of(line, seam, 4.0).covered > 0.99


def test_extremes_of_normal_numbers() -> None:
    """1/√π for two, 3/(2√π) for three, in closed form; 1.02938 for four (Harter 1961, memory)."""
    assert abs(expected_extreme(2) - 1.0 / np.sqrt(np.pi)) < 1e-6
    assert abs(expected_extreme(3) - 1.5 / np.sqrt(np.pi)) < 1e-6
    assert abs(expected_extreme(4) - 1.02938) < 1e-5
    assert expected_extreme(1) == pytest.approx(0.0, abs=1e-9)


def test_the_least_of_many_reads_low_by_what_is_stated() -> None:
    rng = np.random.default_rng(1)
    x, y = raster(40, 25, 1.0)
    least, low = [], []
    for _ in range(200):
        noisy = places(x, y, 8.0 + 0.02 * rng.standard_normal(x.size), 0.02)
        found = figures_of(to_cells(noisy, cell_mm=1.0))
        least.append(found.least_mm)
        low.append(found.low_by_mm)
    assert abs(8.0 - np.mean(least) - np.mean(low)) < 3.0 * np.std(least) / np.sqrt(200.0)


def test_figures_of_a_wedge() -> None:
    """A wall that grows evenly from 5 to 10 mm: least, mean and area have closed forms."""
    x, y = raster(200, 50, 1.0)
    wedge = places(x, y, 5.0 + 5.0 * (x + 0.5) / 200.0, 0.001, 0.03)
    found = figures_of(to_cells(wedge, cell_mm=1.0), (6.0, 7.5))
    assert found.least_mm == 5.0125
    assert (found.x_mm, found.row) == (0.0, 0)
    assert abs(found.u_least_mm - np.hypot(0.001, 0.03)) < 1e-12
    assert abs(found.mean_mm - 7.5) < 1e-9
    assert abs(found.spread_mm - 5.0 / np.sqrt(12.0)) < 1e-3
    assert [below.area_mm2 for below in found.below] == [2000.0, 5000.0]
    # A common error of 0.03 mm moves the line by 0.03 / 0.025 = 1.2 mm over a width of 50 mm.
    for below in found.below:
        assert abs(below.expected_mm2 - below.area_mm2) < 1.0
        assert abs(below.u_mm2 - 60.0) < 3.0


def test_area_below_a_limit_is_covered_by_its_uncertainty() -> None:
    """Readings with noise of their own and an error they share: 95 % within two u."""
    rng = np.random.default_rng(2)
    x, y = raster(60, 30, 2.0)
    wall = 7.0 + 0.8 * np.sin(x / 17.0) * np.cos(y / 11.0)
    true_mm2 = 4.0 * (wall < 6.6).sum()
    inside = 0
    for _ in range(300):
        shared = 0.03 * rng.standard_normal()
        read = wall + shared + 0.02 * rng.standard_normal(x.size)
        (below,) = figures_of(to_cells(places(x, y, read, 0.02, 0.03)), (6.6,)).below
        inside += abs(below.expected_mm2 - true_mm2) < 2.0 * below.u_mm2
    assert 0.90 < inside / 300.0 < 0.99


def test_unread_ground_counts_as_possibly_thin() -> None:
    x, y = raster(10, 10, 1.0)
    thickness = np.where(x == 3.0, np.nan, 8.0)
    thickness[0] = 5.0
    cells = to_cells(places(x, y, thickness), cell_mm=1.0)
    found = figures_of(cells, (6.0,))
    assert (found.cells, found.read, found.refused, found.empty) == (100, 90, 10, 0)
    assert (found.below[0].area_mm2, found.below[0].most_mm2) == (1.0, 11.0)
    wider = Area(x_from_mm=-0.5, x_to_mm=10.5, y_from_mm=-0.5, y_to_mm=9.5)
    assert figures_of(to_cells(places(x, y, thickness), cell_mm=1.0, area=wider)).empty == 10


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0.0, 50.0), st.floats(0.0, 30.0), st.floats(1.0, 20.0)),
        min_size=2,
        max_size=60,
    ),
    st.floats(0.5, 20.0),
)
def test_a_cell_holds_its_least_reading_and_no_reading_is_lost(
    points: list[tuple[float, float, float]], cell_mm: float
) -> None:
    x, y, thickness = np.array(points).T
    cells = to_cells(places(x, y, thickness), cell_mm=cell_mm)
    assert cells.usable.sum() == len(points)
    assert np.nanmin(cells.thickness_mm) == thickness.min()
    column = np.floor((x - cells.area.x_from_mm) / cell_mm + 1e-9).astype(int)
    line = np.floor((y - cells.area.y_from_mm) / cell_mm + 1e-9).astype(int)
    assert (cells.thickness_mm[line, column] <= thickness).all()


@settings(max_examples=40, deadline=None)
@given(st.floats(-180.0, 180.0), st.floats(-100.0, 100.0), st.floats(-100.0, 100.0))
def test_scans_joined_where_they_were_taken_agree(turn_deg: float, x0: float, y0: float) -> None:
    """A second scan on axes moved and turned by known amounts reads the same wall there."""

    def wall(x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
        return np.asarray(8.0 + 0.5 * np.sin(x_mm / 9.0) + 0.3 * np.cos(y_mm / 7.0))

    where = Placement(x_mm=x0, y_mm=y0, turn_deg=turn_deg)
    x, y = raster(12, 9, 1.0)
    own = placed(places(x, y, x), where)
    first = places(own.x_mm, own.y_mm, wall(own.x_mm, own.y_mm))
    second = places(x, y, wall(own.x_mm, own.y_mm) + 0.02)
    together, (overlap,) = join([first, second], [Placement(), where], 1e-6)
    assert len(together) == 2 * x.size
    assert overlap.pairs == x.size
    assert abs(overlap.mean_mm - 0.02) < 1e-9
    assert overlap.spread_mm < 1e-9


def test_scans_that_share_no_ground_say_so() -> None:
    x, y = raster(4, 4, 1.0)
    one = places(x, y, 8.0 + 0.0 * x)
    _, (overlap,) = join([one, one], [Placement(), Placement(x_mm=100.0)], 0.5)
    assert overlap.pairs == 0
    assert np.isnan(overlap.mean_mm)
    with pytest.raises(AscanError, match="one each"):
        join([one, one], [Placement()], 0.5)


def test_loss_rate_and_remaining_life() -> None:
    """10 to 9 mm in four years, minimum 6 mm: 0.25 mm a year, twelve years."""
    earlier, later = np.array([10.0, 10.0, 6.5, np.nan]), np.array([9.0, 10.05, 5.9, 9.0])
    u = np.full(4, 0.03)
    change = change_between(told(earlier, u, u), told(later, u, u, OTHER), 4.0)
    assert change.rate_mm_per_year[0] == 0.25
    assert abs(change.u_loss_mm[0] - 0.06) < 1e-12
    assert change.thinner.tolist() == [True, False, True, False]
    assert not change.thicker.any()
    life, u_life = remaining_years(6.0, change)
    assert life[0] == 12.0
    assert np.isinf(life[1])
    assert life[2] == 0.0
    assert np.isnan(life[3])
    assert np.isnan(u_life[2])
    # By random draws of both readings (JCGM 101).
    rng = np.random.default_rng(3)
    first, second = (value + 0.0424 * rng.standard_normal(400_000) for value in (10.0, 9.0))
    drawn = (second - 6.0) / ((first - second) / 4.0)
    assert abs(u_life[0] - drawn.std()) < 0.03 * drawn.std()
    shared = change_between(told(earlier, u, u), told(later, u, u), 4.0)
    assert abs(shared.u_loss_mm[0] - 0.03 * np.sqrt(2.0)) < 1e-12
    with pytest.raises(AscanError, match="years"):
        change_between(told(earlier, u, u), told(later, u, u), 0.0)


@pytest.mark.parametrize("lost_mm", [0.02, 0.1, 0.5, 2.0])
@pytest.mark.parametrize("same_calibration", [True, False])
def test_a_life_is_not_less_than_its_bound(lost_mm: float, same_calibration: bool) -> None:
    """The bound holds in 95 % of surveys, whether or not a loss is shown (u of a loss: 0.05 mm)."""
    rng, n, years = np.random.default_rng(11), 40_000, 3.0
    u, common = np.full(n, 0.03), np.full(n, 0.02)
    true_life = (9.0 - lost_mm - 6.0) / (lost_mm / years)
    shared = 0.02 * rng.standard_normal((2, n))
    shared[1] = shared[0] if same_calibration else shared[1]
    earlier, later = (
        wall + each + 0.03 * rng.standard_normal(n)
        for wall, each in zip((9.0, 9.0 - lost_mm), shared, strict=True)
    )
    which = CALIBRATION if same_calibration else OTHER
    change = change_between(told(earlier, u, common), told(later, u, common, which), years)
    bound = least_years(6.0, change)
    held = np.mean(true_life >= bound)
    # A wall that read thicker than before has no bound, and says so; chance makes some do so.
    assert held == pytest.approx(0.95, abs=0.006)


def test_bounds_of_a_life_that_need_no_draws() -> None:
    """At the minimum, lost, unread, grown; and with no error at all, the life itself."""
    earlier = np.array([10.0, 6.1, np.nan, 8.0, 10.0])
    later = np.array([9.0, 6.02, 9.0, 9.0, 9.0])
    u, none = np.array([0.03, 0.03, 0.03, 0.03, 1e-9]), np.zeros(5)
    change = change_between(told(earlier, u, none), told(later, u, none), 4.0)
    bound = least_years(6.0, change)
    assert 9.0 < bound[0] < 12.0
    assert bound[1] == 0.0
    assert np.isnan(bound[2])
    assert np.isinf(bound[3])
    assert bound[4] == pytest.approx(12.0, abs=1e-6)


def test_losses_are_covered_by_their_uncertainty() -> None:
    rng = np.random.default_rng(5)
    n = 20000
    u = np.full(n, 0.02)
    shared = 0.03 * rng.standard_normal((2, n))
    read = [
        9.0 - loss + s + 0.02 * rng.standard_normal(n)
        for loss, s in zip((0, 0.2), shared, strict=False)
    ]
    change = change_between(told(read[0], u, 1.5 * u), told(read[1], u, 1.5 * u, OTHER), 1.0)
    inside = np.abs(change.loss_mm - 0.2) < 1.96 * change.u_loss_mm
    assert 0.94 < inside.mean() < 0.96


def test_indications_stand_apart_thinnest_first() -> None:
    x, y = raster(30, 30, 1.0)
    wall = 9.0 - 3.0 * np.exp(-((x - 5) ** 2 + (y - 5) ** 2) / 8.0)
    wall -= 2.0 * np.exp(-((x - 20) ** 2 + (y - 22) ** 2) / 8.0)
    found = indications_of(places(x, y, wall), apart_mm=8.0, most=2)
    assert [(x[k], y[k]) for k in found] == [(5.0, 5.0), (20.0, 22.0)]


def readings_on(columns: dict[str, FloatArray], flags: list[int]) -> Readings:
    n = len(flags)
    fatal = np.array(flags, np.uint32) & 0xFF != 0
    return Readings(
        {
            "thickness_mm": np.where(fatal, np.nan, 8.0),
            "u_random_mm": np.full(n, 0.01),
            "u_common_mm": np.full(n, 0.02),
            "flags": np.array(flags, np.uint32),
            **columns,
        }
    )


def test_a_pipe_is_unrolled_and_void_readings_count_for_nothing() -> None:
    columns = {
        "x_mm": np.zeros(4),
        "angle_deg": np.array([0.0, 90.0, 180.0, 450.0]),
        "check_status": np.array([1, 1, 2, 0], np.uint8),
    }
    flags = [0, int(Flag.NO_ECHO), 0, int(Flag.LOW_SNR)]
    found = places_of(readings_on(columns, flags), outside_diameter_mm=100.0)
    quarter = 25.0 * np.pi
    assert np.abs(found.y_mm - np.array([0.0, quarter, 2.0 * quarter, quarter])).max() < 1e-9
    assert found.usable.tolist() == [True, False, False, True]
    assert found.flags.tolist() == flags


def test_a_pipe_is_gone_round_once() -> None:
    columns = {"x_mm": np.zeros(2), "y_mm": np.array([0.0, 1000.0])}
    with pytest.raises(AscanError, match="the way round the pipe"):
        places_of(readings_on(columns, [0, 0]), outside_diameter_mm=100.0)
    columns["angle_deg"] = np.zeros(2)
    with pytest.raises(AscanError, match="both"):
        places_of(readings_on(columns, [0, 0]), outside_diameter_mm=100.0)


def test_a_sector_across_the_top_of_a_pipe_is_no_way_round_it() -> None:
    """From 340 to 20 degrees on 360 mm of way round: 41 lines of cells, all of them read."""
    y = (np.arange(41.0) - 20.0) % 360.0
    some = places(np.tile([0.0, 1.0], 41), np.repeat(y, 2), np.full(82, 8.0), round_mm=360.0)
    cells = to_cells(some, cell_mm=1.0)
    assert cells.least.shape == (41, 2)
    assert (cells.usable == 1).all()
    assert cells.area.y_from_mm == pytest.approx(339.5)
    stated = Area(x_from_mm=-0.5, x_to_mm=1.5, y_from_mm=339.5, y_to_mm=380.5)
    assert (to_cells(some, cell_mm=1.0, area=stated).usable == 1).all()
    # All the way round, nothing is cut.
    whole = places(np.zeros(360), np.arange(360.0), np.full(360, 8.0), round_mm=360.0)
    assert to_cells(whole, cell_mm=1.0).area.y_from_mm == pytest.approx(-0.5)


def test_ground_that_ends_within_a_cell_counts_no_further() -> None:
    """3 × 3 cells of 2 mm on ground of 5 × 5 mm: areas of 4, 2 and 1 mm²."""
    x, y = raster(3, 3, 2.0)
    some = places(x + 0.5, y + 0.5, np.where((x > 3.0) & (y > 3.0), 5.0, 8.0))
    area = Area(x_from_mm=0.0, x_to_mm=5.0, y_from_mm=0.0, y_to_mm=5.0)
    cells = to_cells(some, cell_mm=2.0, area=area)
    assert cells.area_mm2.sum() == pytest.approx(area.mm2)
    (below,) = figures_of(cells, (6.0,)).below
    assert below.area_mm2 == pytest.approx(1.0)
    assert below.share == pytest.approx(1.0 / 25.0)
    assert below.most_mm2 == pytest.approx(1.0)


def test_readings_without_a_position_are_left_out_and_told() -> None:
    columns = {"x_mm": np.array([0.0, np.nan, 2.0]), "y_mm": np.zeros(3)}
    found = places_of(readings_on(columns, [0, 0, 0]))
    assert (len(found), found.nowhere, found.row.tolist()) == (2, 1, [0, 2])
    cells = to_cells(found)
    assert "1 readings have no position" in surface_lines(cells, figures_of(cells), None)[1]


def test_readings_without_places_are_refused() -> None:
    with pytest.raises(AscanError, match="x_mm"):
        places_of(readings_on({}, [0]))
    with pytest.raises(AscanError, match="y_mm"):
        places_of(readings_on({"x_mm": np.zeros(1)}, [0]))
    with pytest.raises(AscanError, match="no position"):
        places_of(readings_on({"x_mm": np.array([np.nan]), "y_mm": np.zeros(1)}, [0]))
    one = places(np.zeros(2), np.zeros(2), np.full(2, 8.0))
    with pytest.raises(AscanError, match="all one"):
        pitch_of(one)
    with pytest.raises(AscanError, match="above 0"):
        to_cells(one, cell_mm=-1.0)


def test_a_mesh_lies_as_deep_as_the_readings(tmp_path: Path) -> None:
    """Read back by the library: flat, and round a pipe of 100 mm."""
    meshio = pytest.importorskip("meshio")
    from ascan.store.mesh import save_mesh

    x, y = raster(5, 4, 2.0)
    wall = 8.0 + 0.1 * x
    save_mesh(to_cells(places(x, y, wall)), tmp_path / "flat.vtu")
    flat = meshio.read(tmp_path / "flat.vtu")
    assert np.abs(np.sort(flat.cell_data["thickness_mm"][0]) - np.sort(wall)).max() < 1e-12
    assert flat.points[:, 2].max() == pytest.approx(-8.0, abs=1e-9)
    assert flat.points[:, 2].min() == pytest.approx(-wall.max(), abs=1e-9)
    bent = places(x, y, np.full(x.size, 6.0), round_mm=100.0 * np.pi)
    save_mesh(to_cells(bent), tmp_path / "pipe.ply")
    radius = np.hypot(*meshio.read(tmp_path / "pipe.ply").points[:, 1:].T)
    assert np.abs(radius - 44.0).max() < 1e-4
    with pytest.raises(AscanError, match="ends in"):
        save_mesh(to_cells(bent), tmp_path / "pipe.xyz")


def test_ground_stated_from_first_to_last_position_holds_them_all() -> None:
    """What lies on the edges belongs to it; what lies off it is told."""
    x, y = raster(20, 15, 2.0)
    thickness = np.where((x == 38.0) | (y == 28.0), 5.5, 9.0)
    edge = Area(x_from_mm=0.0, x_to_mm=38.0, y_from_mm=0.0, y_to_mm=28.0)
    found = to_cells(places(x, y, thickness), cell_mm=2.0, area=edge)
    assert not found.outside.any()
    assert figures_of(found).least_mm == 5.5
    part = Area(x_from_mm=0.0, x_to_mm=10.0, y_from_mm=0.0, y_to_mm=10.0)
    assert to_cells(places(x, y, thickness), cell_mm=2.0, area=part).outside.sum() == 300 - 36


def test_a_raster_of_unequal_steps_is_covered_by_its_cells() -> None:
    """Index 2 by 5 mm: no cell is empty, and thin ground is not told smaller than it is."""
    x, y = np.meshgrid(2.0 * np.arange(20), 5.0 * np.arange(9))
    some = places(x.ravel(), y.ravel(), np.full(180, 5.0))
    found = figures_of(to_cells(some), (6.0,))
    assert found.empty == 0
    assert found.below[0].area_mm2 >= 180 * 10.0


@given(
    nx=st.integers(2, 40),
    ny=st.integers(2, 40),
    pitch_mm=st.floats(0.5, 3.0),
    pitches=st.floats(1.0, 9.0),
    pipe=st.booleans(),
)
@settings(max_examples=60, deadline=None)
def test_ground_found_from_positions_has_no_strip_without_one(
    nx: int, ny: int, pitch_mm: float, pitches: float, pipe: bool
) -> None:
    """No cell is empty, every position is in one, and the ground is no larger than its pitches."""
    x, y = raster(nx, ny, pitch_mm)
    round_mm = ny * pitch_mm if pipe else 0.0
    some = places(x, y, np.full(x.size, 8.0), round_mm=round_mm)
    cells = to_cells(some, cell_mm=pitches * pitch_mm)
    assert not cells.empty.any()
    assert cells.usable.sum() == x.size
    # Steps are found to a millionth of a millimetre.
    assert cells.area.mm2 <= nx * ny * pitch_mm**2 * (1.0 + 1e-5)
    if pipe:
        assert cells.area.y_to_mm - cells.area.y_from_mm <= round_mm * (1.0 + 1e-9)


def test_cells_across_the_top_of_a_pipe_lie_where_their_readings_do() -> None:
    y = (np.arange(41.0) - 20.0) % 360.0
    some = places(np.tile([0.0, 1.0], 41), np.repeat(y, 2), np.full(82, 8.0), round_mm=360.0)
    cells = to_cells(some, cell_mm=1.0)
    middles = cells.middles_mm[1]
    assert np.abs(np.sort(middles[:, 0]) - np.sort(y)).max() < 1e-9
    assert np.abs(cells.of_least(some.y_mm) - middles).max() < 1e-9


def test_the_least_reading_is_told_with_the_care_it_needs() -> None:
    flags = [0, int(Flag.WEAK_ECHO | Flag.LOW_SNR), 0]
    columns = {"x_mm": np.arange(3.0), "y_mm": np.zeros(3)}
    readings = readings_on(columns, flags)
    thin = Readings({**readings.columns, "thickness_mm": np.array([8.0, 7.0, 7.5])})
    cells = to_cells(places_of(thin))
    assert figures_of(cells).least_flags == "low_snr;weak_echo"
    assert "WITH CARE: low_snr, weak_echo" in surface_lines(cells, figures_of(cells), None)[1]
    assert "WITH CARE" in "\n".join(thin.summary().lines())
    fine = Readings({**thin.columns, "thickness_mm": np.array([6.0, 7.0, 7.5])})
    assert "WITH CARE" not in "\n".join(fine.summary().lines()[:2])


def test_where_nothing_was_read_all_of_the_ground_may_be_thin() -> None:
    x, y = raster(3, 2, 1.0)
    (below,) = figures_of(to_cells(places(x, y, np.full(6, np.nan))), (6.0,)).below
    assert (below.cells, below.area_mm2) == (0, 0.0)
    assert below.most_mm2 == pytest.approx(6.0)


def test_noise_alone_makes_as_many_losses_as_are_told_of() -> None:
    """A wall that did not change: two-sided 4.55 % of a normal distribution lie beyond 2 u."""
    rng, n = np.random.default_rng(3), 40_000
    u = np.full(n, 0.01)
    pair = [8.0 + u * rng.standard_normal(n) for _ in range(2)]
    change = change_between(told(pair[0], u, 0.0 * u), told(pair[1], u, 0.0 * u), 1.0)
    for marked in (change.thinner, change.thicker):
        assert abs(int(marked.sum()) - change.by_chance) < 4.0 * np.sqrt(change.by_chance)
    assert not change.grown
    grown = change_between(told(pair[0], u, 0.0 * u), told(pair[1] + 0.02, u, 0.0 * u), 1.0)
    assert grown.grown
