"""Plane elastic waves of the yardsticks: velocities, coefficients, energy, and what is stored.

Times and velocities are those of a plane solid; Rayleigh's root in Viktorov's approximation
(0.87 + 1.12 ν) / (1 + ν), from memory; the coefficient (Z2 − Z1) / (Z2 + Z1) at normal incidence is
every textbook's (from memory). A grid is late by (k h)² (1 − C²) / 24 of the phase velocity.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "benches"))

from physics import finite_differences as fd  # noqa: E402
from physics import media, plane_dual, plane_rasters, transfer  # noqa: E402
from physics import plane_records as pr  # noqa: E402
from physics.plane_probes import STEEL, Sides, heard, single_element  # noqa: E402
from physics.plane_walls import flat, groove, less, rough, truth  # noqa: E402

CELL_MM, SLOW = 0.05, media.Medium(2.73, 1.43, 1.18)
# Group velocity at 3 MHz in steel on this grid: 3 (k h)² (1 − C²) / 24 = 0.18 % below 5.92 mm/µs,
# of transverse waves (k 1.8 times as large, C smaller) 0.9 %.
PULSE_MHZ = 3.0


def pulse(step_us: float) -> media.Floats:
    """Return a pulse of 3 MHz, centred at 0.5 µs."""
    time = step_us * np.arange(int(1.0 / step_us)) - 0.5
    return np.asarray(np.exp(-((4.0 * time) ** 2)) * np.cos(2.0 * np.pi * PULSE_MHZ * time))


def block(
    wide_mm: float,
    deep_mm: float,
    kinds: tuple[media.Medium, ...] = (STEEL,),
    sponge_mm: float = 0.0,
) -> tuple[media.Grid, fd.Solid]:
    """Return a rectangle of layers of equal height, with an empty rim."""
    n, m = round(wide_mm / CELL_MM), round(deep_mm / CELL_MM)
    x, z = CELL_MM * (np.arange(n + 8) - 4 - n // 2), CELL_MM * (np.arange(m + 8) - 4)
    grid = media.Grid(CELL_MM, x, z, STEEL.longitudinal_mm_per_us, sponge_mm)
    edges = [CELL_MM * round(deep_mm * k / len(kinds) / CELL_MM) for k in range(len(kinds) + 1)]
    inside = (np.arange(n + 8) >= 4) & (np.arange(n + 8) < n + 4)
    nothing = media.layers(grid, [0.0, 0.0], [STEEL])
    return grid, fd.solid_of(
        grid, media.side_by_side(inside, media.layers(grid, edges, kinds), nothing)
    )


def late_us(first: media.Floats, second: media.Floats, step_us: float) -> float:
    """How much later the second is than the first, by their cross-correlation's peak."""
    size = 2 * len(first)
    both = np.fft.irfft(np.fft.rfft(second, size) * np.conj(np.fft.rfft(first, size)), size)
    at = int(np.argmax(both[: len(first)]))
    a, b, c = both[at - 1], both[at], both[at + 1]
    return float(step_us * (at + 0.5 * (a - c) / (a - 2.0 * b + c)))


def test_longitudinal_waves_cross_a_plate_in_distance_over_velocity() -> None:
    grid, solid = block(24.0, 12.0)
    middle = np.arange(4, grid.x_mm.size - 4)
    source = fd.Source(pulse(grid.step_us), np.full(middle.size, 4), middle, np.zeros(middle.size))
    at = fd.Nodes(np.array([44, 164]), np.full(2, grid.x_mm.size // 2))
    moved = fd.propagate(solid, fd.at_rest(grid), source, at, int(2.8 / grid.step_us), grid.ratio)
    found = late_us(moved[:, 0], moved[:, 1], grid.step_us)
    # 6 mm between the nodes; the sides' waves come later; 0.3 % for the grid.
    assert found == pytest.approx(6.0 / STEEL.longitudinal_mm_per_us, rel=3e-3)
    assert found > 6.0 / STEEL.longitudinal_mm_per_us  # never early


def test_transverse_waves_cross_a_plate_in_distance_over_velocity() -> None:
    # The same plate on its side: pushed along its face.
    grid, solid = block(10.0, 24.0)
    rows = np.arange(4, grid.z_mm.size - 4)
    source = fd.Source(pulse(grid.step_us), rows, np.full(rows.size, 8), np.zeros(rows.size))
    at = fd.Nodes(np.full(2, grid.z_mm.size // 2), np.array([40, 120]))
    moved = fd.propagate(solid, fd.at_rest(grid), source, at, int(2.9 / grid.step_us), grid.ratio)
    found = late_us(moved[:, 0], moved[:, 1], grid.step_us)
    assert found == pytest.approx(4.0 / STEEL.transverse_mm_per_us, rel=1.2e-2)
    assert found > 4.0 / STEEL.transverse_mm_per_us


def test_waves_along_the_surface_run_at_rayleigh_s_velocity() -> None:
    grid, solid = block(30.0, 6.0, sponge_mm=3.0)
    source = fd.Source(pulse(grid.step_us), np.array([3]), np.array([150]), np.zeros(1))
    at = fd.Nodes(np.full(2, 3), np.array([310, 450]))
    moved = fd.propagate(solid, fd.at_rest(grid), source, at, int(6.6 / grid.step_us), grid.ratio)
    fast, slow = STEEL.longitudinal_mm_per_us**2, STEEL.transverse_mm_per_us**2
    poisson = 0.5 * (fast - 2.0 * slow) / (fast - slow)
    root = STEEL.transverse_mm_per_us * (0.87 + 1.12 * poisson) / (1.0 + poisson)
    # 0.5 % is what the approximation is good for, 1 % what the grid is late by.
    assert 7.0 / late_us(moved[:, 0], moved[:, 1], grid.step_us) == pytest.approx(root, rel=1.5e-2)


@pytest.mark.parametrize(("above", "below"), [(SLOW, STEEL), (STEEL, SLOW)])
def test_an_interface_reflects_by_the_impedances(above: media.Medium, below: media.Medium) -> None:
    grid, solid = block(26.0, 12.0, (above, below))
    columns = np.arange(4, grid.x_mm.size - 4)
    source = fd.Source(
        pulse(grid.step_us), np.full(columns.size, 3), columns, np.zeros(columns.size)
    )
    interface, middle = 4 + 120, grid.x_mm.size // 2
    at = fd.Nodes(np.array([interface - 60, interface + 20]), np.full(2, middle))
    moved = fd.propagate(solid, fd.at_rest(grid), source, at, int(4.4 / grid.step_us), grid.ratio)
    fast = above.longitudinal_mm_per_us
    time = grid.step_us * np.arange(len(moved)) - 0.5
    windows = (
        (0, 3.0 / fast),
        (0, 9.0 / fast),
        (1, 6.0 / fast + 1.0 / below.longitudinal_mm_per_us),
    )
    parts = [moved[np.abs(time - at_us) < 0.48, node] for node, at_us in windows]
    # At 3 MHz: what the grid's dispersion does to a shape it does not do to a spectrum's size.
    sizes = [
        np.abs(part @ np.exp(-2j * np.pi * PULSE_MHZ * grid.step_us * np.arange(part.size)))
        for part in parts
    ]
    dense = [m.density_g_per_cm3 * m.longitudinal_mm_per_us for m in (above, below)]
    expected = (dense[1] - dense[0]) / (dense[1] + dense[0])
    # 1.5 %: a medium on a grid has the impedance Z cos(k h / 2), 1.5 % less in the slow one.
    assert sizes[1] / sizes[0] == pytest.approx(abs(expected), rel=1.5e-2)
    assert sizes[2] / sizes[0] == pytest.approx(2.0 * dense[0] / sum(dense), rel=1.5e-2)
    # Of velocities: the sign is the opposite of that of pressures.
    back = parts[1]
    assert np.sign(back[np.argmax(np.abs(back))]) == -np.sign(expected)


def energy(solid: fd.Solid, grid: media.Grid, fields: fd.Fields) -> float:
    """Energy that leap-frog keeps: of velocities before and after, and of the stresses between."""
    old = [each.astype(np.float64) for each in fields]
    nothing = fd.Source(np.zeros(2), *np.zeros((2, 1), np.int64), np.zeros(1))
    fd.propagate(solid, fields, nothing, fd.Nodes(*np.zeros((2, 1), np.int64)), 1, grid.ratio)
    heavy = [np.divide(1.0, a, where=a > 0.0, out=np.zeros(a.shape)) for a in solid[3:5]]
    moving = sum(float((m * o * new).sum()) for m, o, new in zip(heavy, old, fields, strict=False))
    lame, stiff, shear = (each.astype(np.float64) for each in solid[:3])
    xx, zz, xz = old[2:]
    solid_here = stiff > 0.0
    square = (stiff * (xx**2 + zz**2) - 2.0 * lame * xx * zz)[solid_here]
    strained = (square / (stiff**2 - lame**2)[solid_here]).sum()
    strained += (xz[shear > 0.0] ** 2 / shear[shear > 0.0]).sum()
    return 0.5 * (moving + float(strained))


def ringing(sponge_mm: float, loss: float = 0.0) -> list[float]:
    """Energy of a block after a push, at 1.5 and 6 µs."""
    grid, solid = block(12.0, 6.0, (STEEL._replace(loss=loss),), sponge_mm)
    fields, found = fd.at_rest(grid), []
    source = fd.Source(pulse(grid.step_us), np.array([60]), np.array([120]), np.zeros(1))
    quiet = source._replace(signal=np.zeros(2))
    nowhere = fd.Nodes(np.array([60]), np.array([120]))
    for now, us in ((source, 1.5), (quiet, 4.5)):
        fd.propagate(solid, fields, now, nowhere, int(us / grid.step_us), grid.ratio)
        found.append(energy(solid, grid, fields))
    return found


def test_energy_stays_where_nothing_absorbs() -> None:
    early, late = ringing(0.0)
    assert late == pytest.approx(early, rel=1e-4)  # single precision over a thousand steps


def test_the_sponge_takes_energy_and_a_lossy_solid_twice_its_loss() -> None:
    early, late = ringing(4.0)
    assert late < 0.25 * early  # waves that meet the free faces squarely stay between them
    early, late = ringing(0.0, loss=0.1)
    assert late == pytest.approx(early * np.exp(-2.0 * 0.1 * 4.5), rel=5e-3)


def test_a_wall_between_whole_cells_is_as_thick_as_it_is() -> None:
    """Walls of a quarter and three quarters of a cell, by their second echo behind the first."""
    found, sizes = [], 4.0 + 0.04 * np.array([0.0, 0.25, 0.5, 0.75, 1.0])
    for mm in sizes:
        setting = single_element(flat(float(mm)), sides=Sides(6.0))
        step = setting.grid.step_us
        moved = heard(setting, pulse(step), 4.6)
        # Echoes at 0.5 + 1.35 and 0.5 + 2.70 µs.
        parts = [moved[int(a / step) : int(a / step) + int(1.2 / step)] for a in (1.3, 2.65)]
        shift = (int(2.65 / step) - int(1.3 / step)) * step
        found.append(shift + late_us(parts[0], parts[1], step))
    steps = np.diff(np.array(found)) * 0.5 * STEEL.longitudinal_mm_per_us
    assert steps == pytest.approx(0.01, abs=2e-3)


@pytest.mark.parametrize("kind", plane_rasters.PROBES)
def test_stored_records_have_the_stated_truth(kind: str) -> None:
    kept = pr.stored_responses(kind)
    names = [str(name) for name in kept.groups]
    assert set(plane_rasters.WALLS) < set(names)
    for n in range(0, len(names), 3):
        if names[n] in plane_rasters.WALLS:
            wall = plane_rasters.at_place(names[n], float(kept.x_mm[n]))
            assert kept.truth_mm[n] == pytest.approx(truth(wall, kept.beam_mm), abs=1e-9)
    axis, mean, least = kept.truth_mm.T
    assert np.all(least <= np.minimum(axis, mean) + 1e-9)
    made = pr.records(kept, pr.Receiver(snr_db=40.0, seed=3))
    assert made.codes.shape[0] == len(names)
    assert made.codes.dtype == np.int16


@pytest.mark.parametrize(
    ("kind", "start_us", "half_mm"),
    # Half of what the paths' ends may lie apart: a dual probe's, at most the elements' middles.
    [("contact", 0.0, 0.0), ("line", 8.79, 0.0), ("dual", 7.05, 3.0)],
)
def test_stored_steps_echo_as_late_as_they_are_thick(
    kind: str, start_us: float, half_mm: float
) -> None:
    """Between two flat walls the first echo moves by 2 d / v, or by a path in V of a dual probe."""
    steps = pr.flat_steps(pr.stored_responses(kind))
    steps = pr.chosen(steps, (steps.truth_mm[:, 0] > 2.5) & (steps.truth_mm[:, 0] < 20.0))
    receiver = pr.Receiver(frequency_mhz=4.0)
    heard_, bare = steps.signals()
    mm, ahead = steps.truth_mm[:, 0], receiver.delay_us + start_us - transfer.START_US - 0.6
    first = np.rint(100.0 * (ahead + 2.0 * mm / 5.92)).astype(int)
    signals = pr.pulsed(heard_ - bare, receiver)
    parts = [one[at : at + 140] for one, at in zip(signals, first, strict=True)]
    for n in range(1, mm.size):
        lag = np.correlate(parts[n], parts[0], "full").argmax() - 139
        found = (first[n] - first[0] + lag) / 100.0
        most = 2.0 * (mm[n] - mm[0]) / 5.92
        least = 2.0 * (np.hypot(mm[n], half_mm) - np.hypot(mm[0], half_mm)) / 5.92
        # 1 % is what the grid is late by, 0.02 µs what diffraction does to 4 MHz.
        assert least - 0.02 < found < 1.01 * most + 0.02


def test_a_stored_response_with_a_pulse_is_the_run_with_that_pulse() -> None:
    kept = pr.group(pr.stored_responses("contact"), "steps")
    three = pr.chosen(kept, kept.truth_mm[:, 0] == 3.0)
    receiver = pr.Receiver(delay_us=0.64)
    stored = pr.pulsed(three.signals()[0], receiver)[0]
    setting = single_element(flat(3.0))
    step = setting.grid.step_us
    time = step * np.arange(int(1.28 / step)) - 0.64
    width = np.pi * 5.0 * 0.6 / np.sqrt(2.0 * np.log(2.0))
    moved = heard(setting, np.exp(-0.5 * (width * time) ** 2) * np.cos(10.0 * np.pi * time), 5.0)
    clock = transfer.START_US + np.arange(stored.size) / receiver.sample_rate_mhz
    within = (clock > 0.0) & (clock < 4.9)
    run = np.interp(clock[within], step * np.arange(moved.size), moved)
    part = stored[within]
    size = float(run @ part / (part @ part))
    assert np.abs(run - size * part).max() < 5e-3 * np.abs(run).max()


def test_coupling_that_is_lost_leaves_no_wall() -> None:
    steps = pr.flat_steps(pr.stored_responses("dual"))
    kept = pr.records(steps, pr.Receiver(snr_db=80.0))
    lost = pr.records(steps, pr.Receiver(snr_db=80.0, lost=1.0))
    assert np.abs(lost.codes).max() < 0.01 * np.abs(kept.codes).max()


def test_set_ups_and_walls_are_as_many_as_stated() -> None:
    kept = pr.stored_responses("dual")
    for name in plane_dual.SET_UPS:
        assert pr.group(kept, name).codes.shape[0] == len(plane_dual.WALLS_MM) >= 12
    size = sum(path.stat().st_size for path in pr.DATA.glob("plane_*.npz"))
    assert size < 2.5e6


def test_truth_under_a_beam() -> None:
    wall = less(flat(8.0), groove("vee", 2.0, 3.0, 1.0))
    axis, mean, least = truth(wall, 4.0)
    assert axis == pytest.approx(8.0)
    assert least == pytest.approx(5.0, abs=0.03)
    assert mean == pytest.approx(8.0 - 0.5 * 2.0 * 3.0 / 4.0, abs=0.01)
    uneven = rough(8.0, 0.1, 0.5, seed=1)
    depth = np.array([uneven(float(at)) for at in np.arange(-30.0, 30.0, 0.05)])
    assert depth.std() == pytest.approx(0.1, rel=0.1)


def test_nothing_here_knows_the_engine() -> None:
    for path in (ROOT / "benches" / "physics").glob("*.py"):
        for line in path.read_text(encoding="utf-8").splitlines():
            assert not line.strip().startswith(("import ascan", "from ascan"))
