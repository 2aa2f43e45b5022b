"""The yardstick's physical optics against closed forms that it does not contain.

A flat wall, a disc and a sinusoidal wall have known echoes; nothing here is fitted.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import j0, j1

sys.path.append(str(Path(__file__).resolve().parents[2] / "benches"))

from physics.facets import AZIMUTHS, horizons
from physics.grounds import KINDS, Ground, Patch, Pits, draw, flat, pitted
from physics.kirchhoff import CONTACT, DELAY_LINE, Probe, reach_mm, response
from physics.rasters import Digitiser, Scanning, raster, steps, wall_echoes
from physics.round_element import field, points

Floats = NDArray[np.float64]
MIDDLE = np.zeros((1, 2))


def mirrored(path_mm: float, radius_mm: float, wavenumber: Floats) -> NDArray[np.complex128]:
    """Return D of two round pistons a path apart, against a plane wave.

    D = 1 − exp(−ix) (J0(x) + i J1(x)), x = k a² / path (Rogers and Van Buren 1974, J. Acoust. Soc.
    Am. 55, 724-728, from memory), good for many wavelengths across the piston and along the path.
    """
    x = wavenumber * radius_mm**2 / path_mm
    return np.asarray(1.0 - np.exp(-1j * x) * (j0(x) + 1j * j1(x)))


@pytest.mark.parametrize("probe", [CONTACT, DELAY_LINE], ids=["contact", "delay line"])
@pytest.mark.parametrize(("wall_mm", "order"), [(6.0, 2), (8.0, 2), (12.0, 1)])
def test_flat_wall_is_the_mirrored_element(probe: Probe, wall_mm: float, order: int) -> None:
    """Paths of 24 mm and more: height within 1 %, time within 0.5 ns (1.5 µm), 3 to 8 MHz.

    The closed form itself is off by some (a / path)² / 4, below 1 % here; facets fade out at 30°,
    where diffraction at 3 MHz still sends 0.5 %.
    """
    frequency = np.arange(3.0, 8.01, 0.5)
    ground = flat(wall_mm, 13.0)
    found = response(ground, probe, MIDDLE, order, frequency).lines[0]
    k = 2.0 * math.pi * frequency / probe.velocity_mm_per_us
    path = 2.0 * (probe.lift_mm + order * wall_mm)
    ratio = found / (mirrored(path, 0.5 * probe.element_mm, k) * np.exp(-1j * k * path))
    assert np.abs(np.abs(ratio) - 1.0).max() < 0.01
    assert np.abs(np.angle(ratio) / (2.0 * math.pi * frequency)).max() < 0.5e-3


def test_thin_flat_wall_is_the_mean_field_over_the_mirrored_element() -> None:
    """3 mm in contact, where the closed form is too coarse: 2.5 % and 1 ns, 4 to 8 MHz.

    Rayleigh's integral over the mirrored disc, at 400 radii; the facets' table is linear over
    0.05 mm of depth, and the rim of the element lies 45° off: 0.5 rad of its phase go unseen.
    """
    frequency, radius = np.arange(4.0, 8.01, 1.0), 3.0
    k = 2.0 * math.pi * frequency / CONTACT.velocity_mm_per_us
    rho = radius * np.sqrt((np.arange(400) + 0.5) / 400)
    mean = field(rho, np.array([6.0]), radius, np.array([k[0], k[1] - k[0]]), 5)[0, :, :, 0]
    found = response(flat(3.0, 13.0), CONTACT, MIDDLE, 1, frequency).lines[0]
    ratio = found / (1j * k * mean.mean(axis=0))
    assert np.abs(np.abs(ratio) - 1.0).max() < 0.025
    assert np.abs(np.angle(ratio) / (2.0 * math.pi * frequency)).max() < 1e-3


def test_small_disc_far_away() -> None:
    """Disc over back wall is π d² / (2 λ z): a textbook relation of discs and walls, from memory.

    Far away the wall sends A / (2 λ z) of a plane wave (the mirrored element at 2z), the disc
    k² (π d²/4) / A × (A / (2 π z))²: the quotient is the relation. The disc is laid of strips one
    cell high, whose area is counted; its echoes add. Within 1 %: the far field's next term,
    (sin u / u)² with u = k a² / 4z, is taken along; the beam's fall over the disc is 0.3 %.
    """
    z, cell, element = 60.0, 0.05, 6.0
    probe = Probe(element_mm=element)
    frequency = np.array([4.0, 5.0, 6.0])
    edges = cell * np.arange(-10, 11)
    disc, area = np.zeros(3, np.complex128), 0.0
    for low in edges[:-1]:
        half = cell * round(math.sqrt(0.25 - (low + 0.5 * cell) ** 2) / cell)
        strip = np.full((2, round(2.0 * half / cell) + 1), z)
        area += cell * 2.0 * half
        disc += response(Ground(strip, cell, -half, low), probe, MIDDLE, 1, frequency).lines[0]
    wavelength = probe.velocity_mm_per_us / frequency
    back_wall = math.pi * (0.5 * element) ** 2 / (2.0 * z * wavelength)
    assert area == pytest.approx(0.25 * math.pi, rel=0.02)
    far = np.sinc((0.5 * element) ** 2 / (2.0 * z * wavelength)) ** 2
    assert np.abs(disc) / back_wall == pytest.approx(2.0 * area / (wavelength * z) * far, rel=0.01)


def test_sinusoidal_wall_loses_its_specular_echo() -> None:
    """The specular echo falls by J0(2 k a) (Rayleigh; Eckart 1953, from memory); within 0.02.

    Waves of 2 mm length, at most 25° steep: the other orders leave at 36° and more, outside the
    beam of a 16 mm element (first zero at 5°); its side lobes there are what is left. Cells of
    0.05 mm cut the crests by 0.3 %.
    """
    ground = Patch(12.0, 30.0, 30.0, 0.05)
    x, y = ground.places()
    probe, frequency = Probe(element_mm=16.0), np.array([4.5, 5.0, 5.5])
    k = 2.0 * math.pi * frequency / probe.velocity_mm_per_us

    def echo(amplitude_mm: float) -> NDArray[np.complex128]:
        wall = ground.left(amplitude_mm * np.cos(math.pi * x) + 0.0 * y)
        return response(wall, probe, np.array([[0.3, 0.0]]), 1, frequency).lines[0]

    even = echo(0.0)
    for amplitude_mm in (0.03, 0.08, 0.15):
        assert np.abs(echo(amplitude_mm) / even - j0(2.0 * k * amplitude_mm)).max() < 0.02


def test_rough_ground_is_the_sum_over_points_and_facets() -> None:
    """No tables, no closed field: 400 points of the element, every facet's own normal; 0.5 %.

    A ground of 100 µm rms and 2 mm correlation is seen whole from 8 mm and a delay line.
    """
    ground, at = draw("rough 100 µm, 2 mm", 1, Patch(8.0, 25.0, 25.0, 0.1)), (0.37, -0.61)
    found = response(ground, DELAY_LINE, np.array([at]), 1, np.array([5.0, 6.0])).lines[0, 0]
    z = ground.thickness_mm + DELAY_LINE.lift_mm
    right, left = z[1:, 1:] + z[:-1, 1:], z[1:, :-1] + z[:-1, :-1]
    lower, upper = z[1:, 1:] + z[1:, :-1], z[:-1, 1:] + z[:-1, :-1]
    depth, slope_x, slope_y = 0.25 * (right + left), (right - left) / 0.2, (lower - upper) / 0.2
    middles = ground.x0_mm + 0.1 * (np.arange(len(depth)) + 0.5)
    x, y = np.meshgrid(middles - at[0], middles - at[1])
    far = np.hypot(x, y) / reach_mm(ground, DELAY_LINE, 1)
    fade = 0.5 + 0.5 * np.cos(math.pi * np.clip((far - 0.7) / 0.3, 0.0, 1.0))
    k, area = 2.0 * math.pi * 5.0 / 5.92, math.pi * 9.0
    field_here, along = np.zeros(x.shape, np.complex128), np.zeros(x.shape, np.complex128)
    for off_x, off_y in points(3.0, 400):
        distance = np.sqrt((x - off_x) ** 2 + (y - off_y) ** 2 + depth**2)
        wave = np.exp(-1j * k * distance) / (2.0 * math.pi * distance) * area / 400
        facing = depth - slope_x * (x - off_x) - slope_y * (y - off_y)
        field_here += wave
        along += wave * facing / distance * (1.0 + 1.0 / (1j * k * distance))
    want = -(k**2 / area) * 0.01 * (fade * field_here * along).sum()
    assert abs(found / want - 1.0) < 0.005


def test_a_cliff_hides_what_lies_behind_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """A wall of 8 mm beside one of 3: hidden close to the cliff, seen whole 6 mm off.

    The horizon by hand: the cliff's top is 5 mm nearer and 1 mm away (to the nearest node). With no
    horizon the echo is higher where the cliff hides part of the floor, and the same far off.
    """
    patch = Patch(8.0, 22.0, 12.0, 0.1)
    x, y = patch.places()
    ground = patch.left(np.where(x < -0.01, 5.0, 0.0) + 0.0 * y)
    seen = horizons(ground.thickness_mm, ground.cell_mm)
    row, column = 60, 110 + 9  # its middle lies 0.95 mm behind the cliff's foot
    assert seen[row, column, AZIMUTHS // 2] == pytest.approx(5.0 / 1.05, rel=0.06)
    assert seen[row, column, 0] == 0.0
    places, frequency = np.array([[1.0, 0.0], [7.0, 0.0]]), np.array([4.0, 5.0, 6.0])
    hiding = response(ground, CONTACT, places, 1, frequency).lines
    monkeypatch.setattr("physics.kirchhoff.horizons", lambda *_: np.zeros_like(seen))
    open_ = response(ground, CONTACT, places, 1, frequency).lines
    change = np.abs(hiding - open_) / np.abs(open_)
    assert change[0].min() > 0.05
    assert change[1].max() < 0.02


def test_truth_under_the_beam() -> None:
    """A cone of 2 mm depth, 4 mm wide, by hand: under 2 mm least 6, mean 8 − 2 (1 − 2/3 × 1/2)."""
    patch = Patch(8.0, 20.0, 20.0, 0.05)
    x, y = patch.places()
    ground = patch.left(2.0 * np.maximum(1.0 - np.hypot(x, y) / 2.0, 0.0))
    at = np.zeros(1)
    assert ground.axis_mm(at, at)[0] == pytest.approx(6.0, abs=1e-4)
    assert ground.least_mm(at, at, 2.0)[0] == pytest.approx(6.0, abs=1e-9)
    assert ground.mean_mm(at, at, 2.0)[0] == pytest.approx(8.0 - 4.0 / 3.0, abs=0.02)


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_grounds_are_drawn_alike_from_a_seed(kind: str) -> None:
    small = Patch(8.0, 12.0, 12.0, 0.1)
    one, again, other = (draw(kind, seed, small) for seed in (3, 3, 4))
    assert np.array_equal(one.thickness_mm, again.thickness_mm)
    assert kind == "smooth" or not np.array_equal(one.thickness_mm, other.thickness_mm)
    assert one.thickness_mm.min() >= 1.0
    rms = {"rough 10 µm, 1 mm": 0.01, "rough 300 µm, 3 mm": 0.3}.get(kind)
    assert rms is None or one.thickness_mm.std() == pytest.approx(rms, rel=1e-6)


def test_pits_have_the_depth_they_were_drawn_with() -> None:
    lost = pitted(
        Patch(8.0, 30.0, 30.0, 0.1), np.random.default_rng(1), Pits("flat", 3, depth_mm=(2.0, 2.0))
    )
    assert set(np.unique(lost)) == {0.0, 2.0}


def test_steps_and_raster_hold_what_was_asked() -> None:
    """Two even walls, and a small raster over even ground: the same echo where it is coupled."""
    digitiser = Digitiser(snr_db=60.0, samples=1600)
    block = steps((6.0, 8.0), 2, DELAY_LINE, digitiser, 1)
    assert block.codes.shape == (4, 1600)
    scanning = Scanning(columns=2, rows=2, missing=0.0, uncoupled=0.4, coupling=0.0, drift_us=0.0)
    made = raster(flat(8.0, 13.0), DELAY_LINE, scanning, digitiser, 5)
    gain, coupled = made.columns["gain_db"], made.columns["coupled"] > 0.0
    assert 0 < coupled.sum() < 4
    wall = slice(1160, 1280)
    heights = np.ptp(made.codes[:, wall].astype(float), axis=1) / 10.0 ** (gain / 20.0)
    want = np.ptp(block.codes[2, wall].astype(float))
    assert heights[coupled] == pytest.approx(want, rel=0.05)
    assert (heights[~coupled] < 0.05 * want).all()
    assert (made.least_mm == 8.0).all()


def test_echoes_come_when_they_should() -> None:
    """The first echo of 8 mm peaks within 10 ns of 2 d / c after the surface; the train repeats it.

    A round element's diffraction leads by at most a quarter of a period in all (50 ns).
    """
    time = np.arange(2000) / 100.0
    echo = wall_echoes(flat(8.0, 13.0), DELAY_LINE, MIDDLE, time, np.zeros(1))[0]
    for order in (1, 2):
        due = DELAY_LINE.surface_us + order * 16.0 / 5.92
        near = np.abs(time - due) < 0.6
        assert abs(time[near][np.argmin(echo[near])] - due) < 0.05
