"""Corroded ground: maps of the wall that is left, drawn by a generator, and the truth under a beam.

Depths are in mm below the front surface, which is flat, on nodes ``cell_mm`` apart. Between nodes
the wall is bilinear: that *is* the ground, so the truth at the axis is exact. Mean and least under
a beam come from nodes inside a circle, which knows its rim to a cell only: see `Ground.truth_u_mm`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

Floats = NDArray[np.float64]
Generator = np.random.Generator

LEAST_WALL_MM = 1.0


@dataclass(frozen=True, eq=False, slots=True)
class Ground:
    """The wall that is left, on a grid.

    Attributes
    ----------
    thickness_mm : ndarray, shape (rows, columns)
        Wall at each node; rows along y, columns along x.
    cell_mm : float
        Distance between nodes, 0.05 to 0.1 mm.
    x0_mm, y0_mm : float
        Place of node (0, 0).
    """

    thickness_mm: Floats
    cell_mm: float
    x0_mm: float = 0.0
    y0_mm: float = 0.0

    @property
    def truth_u_mm(self) -> float:
        """Standard uncertainty of mean and least under a beam: the grid's own error, in mm.

        A rim known to a cell, spread evenly over it (cell / √12, GUM 4.3.7), times the mean slope.
        """
        along_y, along_x = np.gradient(self.thickness_mm, self.cell_mm)
        return float(np.hypot(along_x, along_y).mean() * self.cell_mm / math.sqrt(12.0))

    def axis_mm(self, x_mm: Floats, y_mm: Floats) -> Floats:
        """Return the wall at places (n,), between nodes bilinear."""
        rows, columns = self.thickness_mm.shape
        u = np.clip((np.asarray(x_mm) - self.x0_mm) / self.cell_mm, 0.0, columns - 1.000001)
        v = np.clip((np.asarray(y_mm) - self.y0_mm) / self.cell_mm, 0.0, rows - 1.000001)
        j, i = u.astype(int), v.astype(int)
        u, v, z = u - j, v - i, self.thickness_mm
        upper = (1.0 - u) * z[i, j] + u * z[i, j + 1]
        lower = (1.0 - u) * z[i + 1, j] + u * z[i + 1, j + 1]
        return np.asarray((1.0 - v) * upper + v * lower)

    def mean_mm(self, x_mm: Floats, y_mm: Floats, beam_mm: float) -> Floats:
        """Return the mean wall under a round −6 dB beam of diameter ``beam_mm`` at (n,)."""
        return self._under(x_mm, y_mm, beam_mm, np.mean)

    def least_mm(self, x_mm: Floats, y_mm: Floats, beam_mm: float) -> Floats:
        """Return the least wall under a round −6 dB beam of diameter ``beam_mm`` at (n,)."""
        return self._under(x_mm, y_mm, beam_mm, np.min)

    def _under(
        self, x_mm: Floats, y_mm: Floats, beam_mm: float, of: Callable[[Floats], float]
    ) -> Floats:
        half = math.ceil(0.5 * beam_mm / self.cell_mm) + 1
        rows, columns = self.thickness_mm.shape
        found = []
        for x, y in zip(np.asarray(x_mm), np.asarray(y_mm), strict=True):
            j = round((x - self.x0_mm) / self.cell_mm)
            i = round((y - self.y0_mm) / self.cell_mm)
            across = np.arange(max(j - half, 0), min(j + half + 1, columns))
            along = np.arange(max(i - half, 0), min(i + half + 1, rows))
            off_x = self.x0_mm + self.cell_mm * across - x
            off_y = self.y0_mm + self.cell_mm * along - y
            inside = np.hypot(off_y[:, None], off_x[None, :]) <= 0.5 * beam_mm
            found.append(of(self.thickness_mm[np.ix_(along, across)][inside]))
        return np.array(found, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Patch:
    """Size of a ground and the wall it had when new, all in mm."""

    nominal_mm: float = 8.0
    width_mm: float = 56.0
    height_mm: float = 56.0
    cell_mm: float = 0.1

    @property
    def shape(self) -> tuple[int, int]:
        """Nodes along y and x."""
        return round(self.height_mm / self.cell_mm) + 1, round(self.width_mm / self.cell_mm) + 1

    def places(self) -> tuple[Floats, Floats]:
        """Return x (1, columns) and y (rows, 1) of the nodes; the middle is (0, 0)."""
        rows, columns = self.shape
        x = self.cell_mm * np.arange(columns, dtype=np.float64) - 0.5 * self.width_mm
        y = self.cell_mm * np.arange(rows, dtype=np.float64) - 0.5 * self.height_mm
        return np.asarray(x[None, :]), np.asarray(y[:, None])

    def left(self, lost_mm: Floats) -> Ground:
        """Return the ground of which so much is lost; `LEAST_WALL_MM` always stays."""
        wall = np.maximum(self.nominal_mm - lost_mm, LEAST_WALL_MM)
        wall = np.ascontiguousarray(np.broadcast_to(wall, self.shape), dtype=np.float64)
        return Ground(wall, self.cell_mm, -0.5 * self.width_mm, -0.5 * self.height_mm)


@dataclass(frozen=True, slots=True)
class Pits:
    """How pits are drawn: ranges in mm, and how many; clusters hold ``together`` pits each."""

    shape: str = "hemisphere"  # flat, cone or hemisphere
    count: int = 14
    diameter_mm: tuple[float, float] = (1.0, 6.0)
    depth_mm: tuple[float, float] = (0.5, 4.0)
    together: int = 1


def relief(patch: Patch, rng: Generator, rms_mm: float, correlation_mm: float) -> Floats:
    """Return a random relief of mean 0 with correlation exp(−r²/L²), L = ``correlation_mm``.

    White noise through a Gaussian of standard deviation L/2 has that correlation (from memory).
    """
    # Drawn larger, so that no edge folds the relief onto itself.
    edge = math.ceil(2.0 * correlation_mm / patch.cell_mm)
    rows, columns = patch.shape
    noise = rng.standard_normal((rows + 2 * edge, columns + 2 * edge))
    drawn = gaussian_filter(noise, 0.5 * correlation_mm / patch.cell_mm, truncate=4.0)
    drawn = drawn[edge : edge + rows, edge : edge + columns]
    drawn = drawn - drawn.mean()
    return np.asarray(drawn * (rms_mm / drawn.std()))


def thinned(patch: Patch, rng: Generator, deep_mm: float, correlation_mm: float) -> Floats:
    """Return a slowly varying loss from 0 to ``deep_mm``."""
    drawn = relief(patch, rng, 1.0, correlation_mm)
    return np.asarray((drawn - drawn.min()) * (deep_mm / np.ptp(drawn)))


def pitted(patch: Patch, rng: Generator, pits: Pits) -> Floats:
    """Return the loss of pits; where two meet, the deeper one counts."""
    x, y = patch.places()
    lost = np.zeros(patch.shape)
    for _ in range(max(pits.count // pits.together, 1)):
        middle = rng.uniform(-0.5, 0.5, 2) * (patch.width_mm, patch.height_mm)
        spread = 0.6 * pits.diameter_mm[1] if pits.together > 1 else 0.0
        for _ in range(pits.together):
            at = middle + spread * rng.standard_normal(2)
            radius, depth = 0.5 * rng.uniform(*pits.diameter_mm), rng.uniform(*pits.depth_mm)
            out = np.hypot(x - at[0], y - at[1]) / radius
            lost = np.maximum(lost, depth * profile(pits.shape, out))
    return lost


def profile(shape: str, out: Floats) -> Floats:
    """Return the depth of a pit of depth 1 at ``out`` radii from its middle; 0 outside.

    A hemisphere is one if its depth is half its diameter, else half an ellipsoid.
    """
    inside = np.maximum(1.0 - out, 0.0)
    if shape == "flat":
        return np.where(inside > 0.0, 1.0, 0.0)
    if shape == "cone":
        return inside
    if shape == "hemisphere":
        return np.sqrt(np.maximum(1.0 - out**2, 0.0))
    raise ValueError(f"no such pit: {shape}")


def grooved(patch: Patch, rng: Generator, count: int, deep_mm: float) -> Floats:
    """Return the loss of straight round-bottomed grooves, 1 to 5 mm wide, of any direction."""
    x, y = patch.places()
    lost = np.zeros(patch.shape)
    for _ in range(count):
        turn, half = rng.uniform(0.0, math.pi), 0.5 * rng.uniform(1.0, 5.0)
        off = rng.uniform(-0.35, 0.35) * min(patch.width_mm, patch.height_mm)
        out = np.abs(x * math.cos(turn) + y * math.sin(turn) - off) / half
        lost = np.maximum(lost, rng.uniform(0.3, 1.0) * deep_mm * profile("hemisphere", out))
    return lost


def _mixture(patch: Patch, rng: Generator) -> Ground:
    lost = thinned(patch, rng, 1.5, 15.0) + relief(patch, rng, 0.05, 1.5)
    pits = [pitted(patch, rng, Pits(shape, 6)) for shape in ("hemisphere", "cone", "flat")]
    return patch.left(np.maximum(lost, np.maximum.reduce(pits)))


def _rough(rms_mm: float, correlation_mm: float) -> Callable[[Patch, Generator], Ground]:
    return lambda patch, rng: patch.left(relief(patch, rng, rms_mm, correlation_mm))


def _pits(*args: object, **kwargs: object) -> Callable[[Patch, Generator], Ground]:
    pits = Pits(*args, **kwargs)  # type: ignore[arg-type]
    return lambda patch, rng: patch.left(pitted(patch, rng, pits))


# Name to maker. Roughness: rms and correlation length in mm.
KINDS: dict[str, Callable[[Patch, Generator], Ground]] = {
    "smooth": lambda patch, rng: patch.left(np.zeros(patch.shape)),
    "rough 10 µm, 1 mm": _rough(0.010, 1.0),
    "rough 50 µm, 1 mm": _rough(0.050, 1.0),
    "rough 100 µm, 0.5 mm": _rough(0.100, 0.5),
    "rough 100 µm, 2 mm": _rough(0.100, 2.0),
    "rough 300 µm, 3 mm": _rough(0.300, 3.0),
    "general loss": lambda patch, rng: patch.left(thinned(patch, rng, 3.0, 15.0)),
    "flat pits": _pits("flat"),
    "cones": _pits("cone"),
    "hemispheres": _pits("hemisphere"),
    "clusters": _pits("hemisphere", count=60, diameter_mm=(0.8, 3.0), together=10),
    "grooves": lambda patch, rng: patch.left(grooved(patch, rng, 5, 3.0)),
    "mixture": _mixture,
}


def draw(kind: str, seed: int, patch: Patch | None = None) -> Ground:
    """Return one ground of a kind of `KINDS`; the same seed gives the same ground."""
    return KINDS[kind](patch or Patch(), np.random.default_rng(seed))


def flat(thickness_mm: float, reach_mm: float = 10.0, cell_mm: float = 0.1) -> Ground:
    """Return even ground from −reach to reach: a step of a block."""
    return Patch(thickness_mm, 2.0 * reach_mm, 2.0 * reach_mm, cell_mm).left(np.zeros((1, 1)))
