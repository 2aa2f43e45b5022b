"""Plane elastic waves by finite differences: velocity and stress on staggered grids.

Second order in space and time (Virieux 1986, Geophysics 51, 889-901, from memory). Cell (i, j)
holds the stresses along the axes in its middle; ``vx`` stands half a cell to the right of it,
``vz`` half a cell below, ``xz`` at the corner between. Depth z grows downwards. What has no density
is empty, so that every edge of a solid is free.

Waves run late on a grid: by (k h)² (1 − C²) / 24 of their phase velocity along an axis, k the wave
number, h the cell, C = velocity × time step / cell (expansion of the scheme's own dispersion
relation, from memory); of the group velocity three times that.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numba
import numpy as np
from numpy.typing import NDArray

from .media import SOFT, Cells, Floats, Grid, Singles

Integers = NDArray[np.integer[Any]]


class Solid(NamedTuple):
    """What a step asks of the cells, single precision, shape (high, wide): see `solid_of`."""

    lame: Singles
    stiff: Singles
    shear: Singles
    light_x: Singles
    light_z: Singles
    keep: Singles
    keep_shape: Singles


class Fields(NamedTuple):
    """Velocities and stresses, single precision, shape (high, wide)."""

    vx: Singles
    vz: Singles
    xx: Singles
    zz: Singles
    xz: Singles


class Source(NamedTuple):
    """What pushes down: a signal over the steps, at nodes of ``vz``, each late by some steps."""

    signal: Floats
    rows: Integers
    columns: Integers
    late_steps: Floats


class Nodes(NamedTuple):
    """Nodes of ``vz`` that are heard."""

    rows: Integers
    columns: Integers


def at_rest(grid: Grid) -> Fields:
    """Return fields in which nothing moves."""
    return Fields(*np.zeros((5, grid.z_mm.size, grid.x_mm.size), np.float32))


def sponge_of(grid: Grid) -> Floats:
    """Return what is left of everything after a step, shape (wide,): less near the sides.

    Grows with the square of the depth in the sponge (Cerjan and others 1985, Geophysics 50,
    705-708, from memory).
    """
    if grid.sponge_mm <= 0.0:
        return np.ones(grid.x_mm.size)
    at = np.arange(grid.x_mm.size)
    inward = np.minimum(at, at[::-1]) * grid.cell_mm / grid.sponge_mm
    return np.asarray(np.exp(-grid.sponge * np.maximum(1.0 - inward, 0.0) ** 2))


def solid_of(grid: Grid, cells: Cells) -> Solid:
    """Return what a step asks of the cells.

    Density between cells is their mean, stiffness in shear at a corner the harmonic mean of the
    four cells round it (Moczo and others 2002, Bull. Seism. Soc. Am. 92, 3042-3066, from memory).
    """
    means = [0.5 * (cells.dense + np.roll(cells.dense, -1, axis)) for axis in (1, 0)]
    light = [np.where(each > 0.0, 1.0 / np.maximum(each, SOFT), 0.0) for each in means]
    shear, below = cells.shear, np.roll(cells.shear, -1, 0)
    four = np.stack([shear, below, np.roll(shear, -1, 1), np.roll(below, -1, 1)])
    soft = (1.0 / np.maximum(four, SOFT)).sum(axis=0)
    corner = np.where(four.min(axis=0) > 0.0, 4.0 / soft, 0.0)
    # Velocities and stresses lose it both, and a wave as much; what stresses alone lose, it loses
    # half of.
    keep = sponge_of(grid) * np.exp(-cells.loss * grid.step_us)
    keep_shape = np.exp(-2.0 * cells.shear_loss * grid.step_us)
    arrays = (cells.stiff - 2.0 * shear, cells.stiff, corner, *light, keep, keep_shape)
    return Solid(*(np.ascontiguousarray(each, np.float32) for each in arrays))


@numba.njit(fastmath=True, cache=True)  # type: ignore[untyped-decorator]
def move(solid: Solid, fields: Fields, i: int, ratio: np.float32) -> None:
    """Bring the velocities of a row a step on."""
    vx, light, keep = fields.vx[i], solid.light_x[i], solid.keep[i]
    xx, xz, above = fields.xx[i], fields.xz[i], fields.xz[i - 1]
    for j in range(1, vx.size - 1):
        pull = xx[j + 1] - xx[j] + xz[j] - above[j]
        vx[j] = keep[j] * (vx[j] + ratio * light[j] * pull)
    vz, light, zz, below = fields.vz[i], solid.light_z[i], fields.zz[i], fields.zz[i + 1]
    for j in range(1, vz.size - 1):
        pull = xz[j] - xz[j - 1] + below[j] - zz[j]
        vz[j] = keep[j] * (vz[j] + ratio * light[j] * pull)


@numba.njit(fastmath=True, cache=True)  # type: ignore[untyped-decorator]
def strain(solid: Solid, fields: Fields, i: int, ratio: np.float32) -> None:
    """Bring the stresses of a row a step on."""
    half = np.float32(0.5)
    vx, vz, above = fields.vx[i], fields.vz[i], fields.vz[i - 1]
    xx, zz, keep, shape = fields.xx[i], fields.zz[i], solid.keep[i], solid.keep_shape[i]
    lame, stiff = solid.lame[i], solid.stiff[i]
    for j in range(1, vx.size - 1):
        grows_x, grows_z = vx[j] - vx[j - 1], vz[j] - above[j]
        new_xx = xx[j] + ratio * (stiff[j] * grows_x + lame[j] * grows_z)
        new_zz = zz[j] + ratio * (stiff[j] * grows_z + lame[j] * grows_x)
        even = half * (new_xx + new_zz)
        odd = half * shape[j] * (new_xx - new_zz)
        xx[j], zz[j] = keep[j] * (even + odd), keep[j] * (even - odd)
    xz, below, shear = fields.xz[i], fields.vx[i + 1], solid.shear[i]
    for j in range(1, vx.size - 1):
        turns = below[j] - vx[j] + vz[j + 1] - vz[j]
        xz[j] = keep[j] * shape[j] * (xz[j] + ratio * shear[j] * turns)


@numba.njit(cache=True)  # type: ignore[untyped-decorator]
def push(solid: Solid, fields: Fields, source: Source, step: int) -> None:
    """Let the source push at this step; `move` will damp it, which is undone ahead."""
    for n in range(source.rows.size):
        at = step - source.late_steps[n]
        whole = int(np.floor(at))
        if 0 <= whole < source.signal.size - 1:
            part = at - whole
            force = (1.0 - part) * source.signal[whole] + part * source.signal[whole + 1]
            i, j = source.rows[n], source.columns[n]
            fields.vz[i, j] += solid.light_z[i, j] * force / solid.keep[i, j]


@numba.njit(cache=True)  # type: ignore[untyped-decorator]
def propagate(
    solid: Solid, fields: Fields, source: Source, heard: Nodes, steps: int, ratio: float
) -> Floats:
    """Return what the nodes ``heard`` move down by at every step, shape (steps, nodes).

    ``fields`` are brought to the last step; ``ratio`` is the grid's. Stresses follow velocities a
    row behind, while both are at hand: no row asks for what has been overwritten. Rows below the
    lowest that anything can have reached, a row and a step, are left out.
    """
    out = np.zeros((steps, heard.rows.size))
    last, k = fields.vx.shape[0] - 2, np.float32(ratio)
    still = reached(fields, source)
    for step in range(steps):
        push(solid, fields, source, step)
        bottom = min(last, still + step)
        for i in range(1, bottom + 1):
            move(solid, fields, i, k)
            if i > 1:
                strain(solid, fields, i - 1, k)
        strain(solid, fields, bottom, k)
        for n in range(heard.rows.size):
            out[step, n] = fields.vz[heard.rows[n], heard.columns[n]]
    return out


@numba.njit(cache=True)  # type: ignore[untyped-decorator]
def reached(fields: Fields, source: Source) -> int:
    """Return the lowest row that moves, or is pushed, and one more."""
    lowest = source.rows.max() if source.rows.size > 0 else 0
    for i in range(lowest + 1, fields.vx.shape[0]):
        moving = np.abs(fields.vx[i]).max() + np.abs(fields.vz[i]).max()
        strained = np.abs(fields.xx[i]).max() + np.abs(fields.zz[i]).max()
        if moving + strained + np.abs(fields.xz[i]).max() > 0.0:
            lowest = i
    return lowest + 2


def on_average(moved: Floats, late_steps: Floats) -> Floats:
    """Return what an element hears, shape (steps,): the mean of its nodes, each late by so much."""
    clock = np.arange(len(moved), dtype=np.float64)
    mean = np.zeros(len(moved))
    for n, late in enumerate(late_steps):
        mean += np.interp(clock - late, clock, moved[:, n]) / late_steps.size
    return mean
