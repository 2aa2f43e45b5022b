"""Faults of positions are found and named; a sound raster has none."""

from __future__ import annotations

import numpy as np
import pytest

from ascan.kernels.arrays import FloatArray
from ascan.survey.places import Places
from ascan.survey.raster import lines_of, position_faults

NX, NY = 30, 10


def raster(slip_mm: float = 0.0, *, to_and_fro: bool = True, noise_mm: float = 0.01) -> Places:
    """Return a wavy wall in lines; those scanned back report places ``slip_mm`` too far."""
    rng = np.random.default_rng(2)
    x = np.tile(np.arange(float(NX)), NY).reshape(NY, NX)
    if to_and_fro:
        x[1::2] = x[1::2, ::-1]
    y = np.repeat(np.arange(float(NY)), NX).reshape(NY, NX)
    true_x = x.copy()
    true_x[1::2] -= slip_mm
    wall = 8.0 + 0.5 * np.sin(true_x / 2.5) + 0.02 * y + noise_mm * rng.standard_normal(x.shape)
    return places(x.ravel(), y.ravel(), wall.ravel())


def places(x: FloatArray, y: FloatArray, wall: FloatArray) -> Places:
    return Places(
        x_mm=x, y_mm=y, thickness_mm=wall, u_random_mm=np.full(x.size, 0.01), shared={},
        flags=np.zeros(x.size, np.uint32), row=np.arange(x.size),
    )  # fmt: skip


@pytest.mark.parametrize("to_and_fro", [True, False])
@pytest.mark.parametrize("turned", [True, False])
def test_a_sound_raster_has_no_fault(to_and_fro: bool, turned: bool) -> None:
    sound = raster(to_and_fro=to_and_fro)
    if turned:
        sound = places(sound.y_mm, sound.x_mm, sound.thickness_mm)
    found = lines_of(sound)
    assert found is not None
    assert (found.along, found.step_mm) == ("y" if turned else "x", 1.0)
    assert position_faults(sound) == []


@pytest.mark.parametrize("slip_mm", [1.0, -2.0, 1.5])
def test_lines_that_slip_to_and_fro_are_told_with_their_size(slip_mm: float) -> None:
    (told,) = position_faults(raster(slip_mm))
    assert f"lie {abs(slip_mm):.2g} mm apart along x" in told


def test_an_even_wall_tells_no_slip() -> None:
    even = raster(1.0)
    flat = places(even.x_mm, even.y_mm, np.full(len(even), 8.0) + 0.01 * np.sin(even.row * 7.3))
    assert position_faults(flat) == []


def test_repeats_jumps_and_backward_steps_are_named_by_row() -> None:
    sound = raster(to_and_fro=False)
    x = sound.x_mm.copy()
    x[40] = x[39]
    assert any("stand where another one stands" in told for told in faults(x, sound))
    x = sound.x_mm.copy()
    x[70] = x[68] - 0.5
    assert any("BACKWARDS within a line: row 70" in told for told in faults(x, sound))
    x = sound.x_mm.copy()
    x[105:120] += 7.0
    assert any("JUMP" in told and "row 105" in told for told in faults(x, sound))


def faults(x: FloatArray, sound: Places) -> list[str]:
    return position_faults(places(x, sound.y_mm, sound.thickness_mm))


def test_scattered_points_are_no_raster() -> None:
    rng = np.random.default_rng(1)
    x, y = rng.uniform(0.0, 50.0, (2, 60))
    assert lines_of(places(x, y, np.full(60, 8.0))) is None
    assert position_faults(places(x, y, np.full(60, 8.0))) == []
