"""Footprint spread and shares below a limit."""

from __future__ import annotations

import numpy as np
import pytest

from ascan.base.errors import AscanError
from ascan.survey.neighbours import footprint_u_mm, isolated_readings, joint_map, share_below


def test_an_even_wall_adds_nothing_and_a_step_adds_its_range() -> None:
    x, y = (grid.ravel().astype(float) for grid in np.meshgrid(np.arange(9), np.arange(9)))
    flat = np.full(81, 6.0)
    assert (footprint_u_mm(x, y, flat, 1.1) == 0.0).all()
    step = np.where(x < 4, 6.0, 5.0)
    u = footprint_u_mm(x, y, step, 1.1)
    at_edge = (x == 3) | (x == 4)
    # Half of 1 mm, rectangular.
    np.testing.assert_allclose(u[at_edge], 0.5 / np.sqrt(3.0), rtol=1e-12, atol=0.0)
    assert (u[~at_edge] == 0.0).all()


def test_refused_readings_say_nothing() -> None:
    x = np.arange(3.0)
    u = footprint_u_mm(x, 0.0 * x, np.array([6.0, np.nan, 5.0]), 1.5)
    assert np.isnan(u[1])
    assert u[0] == 0.0


def test_wrong_input() -> None:
    with pytest.raises(AscanError, match="radius_mm: is 0 mm"):
        footprint_u_mm(np.zeros(2), np.zeros(2), np.zeros(2), 0.0)
    with pytest.raises(AscanError, match="one of each per reading"):
        footprint_u_mm(np.zeros(2), np.zeros(3), np.zeros(2), 1.0)


def test_share_is_an_interval_that_holds_the_refused() -> None:
    rng = np.random.default_rng(1)
    true = rng.uniform(4.0, 8.0, 4000)
    u = np.full(true.size, 0.05)
    read = true + u * rng.standard_normal(true.size)
    read[:400] = np.nan
    share = share_below(read, u, 5.0)
    truth = float((true < 5.0).mean())
    assert share.least <= truth <= share.most
    assert share.most - share.least >= 0.1


def test_a_joint_map_sharpens_a_pit_and_says_how_well() -> None:
    rng = np.random.default_rng(4)
    x, y = (grid.ravel().astype(float) for grid in np.meshgrid(np.arange(21), np.arange(21)))
    square = (x[:, None] - x) ** 2 + (y[:, None] - y) ** 2
    # Walls drawn from the prior itself: then the stated u must be the true one.
    variance = 0.5 * 0.3**2 / (1.0 - np.exp(-0.5))
    prior = variance * np.exp(-0.5 * square / 3.0**2)
    root = np.linalg.cholesky(prior + 1e-8 * np.eye(x.size))
    beam = np.exp(-4.0 * np.log(2.0) * square / 3.0**2)
    beam /= beam.sum(axis=1, keepdims=True)
    off, raw, stated = [], [], []
    for _ in range(20):
        true = 8.0 + root @ rng.standard_normal(x.size)
        u = np.full(x.size, 0.01)
        read = beam @ true + u * rng.standard_normal(x.size)
        wall, u_wall = joint_map(x, y, read, u, footprint_mm=3.0, roughness_mm=0.3)
        off.append(wall - true)
        raw.append(read - true)
        stated.append(u_wall)
    assert np.std(off) < 0.6 * np.std(raw)
    assert 0.9 < np.std(np.array(off) / np.array(stated)) < 1.1


def test_a_joint_map_is_asked_for_what_it_can_do() -> None:
    with pytest.raises(AscanError, match="footprint_mm: is 0 mm"):
        joint_map(*np.zeros((4, 3)), footprint_mm=0.0, roughness_mm=0.1)
    wall, u = joint_map(
        np.arange(3.0),
        np.zeros(3),
        np.array([8.0, np.nan, 8.0]),
        np.full(3, 0.01),
        footprint_mm=2.0,
        roughness_mm=0.1,
    )
    assert np.isnan(wall[1])
    assert np.isnan(u[1])


def test_a_lone_reading_is_told_and_a_slope_is_not() -> None:
    x, y = (grid.ravel().astype(float) for grid in np.meshgrid(np.arange(15), np.arange(15)))
    rng = np.random.default_rng(3)
    wall = 9.0 - 0.1 * x + 0.01 * rng.standard_normal(x.size)
    u = np.full(x.size, 0.01)
    assert not isolated_readings(x, y, wall, u).any()
    read = wall.copy()
    read[112] *= 0.5
    read[30] = np.nan
    lone = isolated_readings(x, y, read, u)
    assert np.flatnonzero(lone).tolist() == [112]
    # Two side by side support each other: a pit as wide as the pitch is no single reading.
    read[113] = read[112]
    assert not isolated_readings(x, y, read, u).any()


def test_too_few_to_say_anything() -> None:
    two = np.array([0.0, 1.0])
    assert not isolated_readings(two, two, np.array([5.0, 9.0]), np.full(2, 0.01)).any()
