"""Real walls: a field of thickness under a beam of finite width, and the truth beside each trace.

The back-wall echo is the coherent sum over the beam's footprint of what each point sends back,
straight down and up (Kirchhoff at normal incidence): roughness, tilt and pits weaken and shift it
without a rule of their own. Not modelled: shadowing, and waves that travel along the pit's flank.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ascan_synthetic.pulse import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Pit:
    """A loss of wall: ``round`` (Gaussian bowl), ``flat`` (flat-bottomed hole) or ``slot``.

    ``width_mm`` is the diameter (of a bowl, at half its depth); a slot is ``length_mm`` long in y.
    """

    kind: str
    x_mm: float
    y_mm: float
    depth_mm: float
    width_mm: float
    length_mm: float = 0.0

    def loss_mm(self, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
        """Return the loss at places, any shape."""
        along = np.maximum(np.abs(y_mm - self.y_mm) - 0.5 * self.length_mm, 0.0)
        radius = np.hypot(x_mm - self.x_mm, along)
        if self.kind == "round":
            return np.asarray(self.depth_mm * np.exp2(-((2.0 * radius / self.width_mm) ** 2)))
        return np.where(radius <= 0.5 * self.width_mm, self.depth_mm, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lamination:
    """A disc inside the wall that sends the sound back before the back wall does."""

    x_mm: float
    y_mm: float
    depth_mm: float
    diameter_mm: float

    def covers(self, x_mm: FloatArray, y_mm: FloatArray) -> np.ndarray:
        """Return which places lie over it."""
        radius = np.hypot(x_mm - self.x_mm, y_mm - self.y_mm)
        return np.asarray(radius <= 0.5 * self.diameter_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Roughness:
    """A Gaussian random back surface: rms height and correlation length, Gaussian correlation.

    The sum of ``waves`` plane waves of random phase, their wave numbers drawn from the spectrum of
    that correlation: the same everywhere for one seed, at any place without a grid.
    """

    rms_mm: float
    correlation_mm: float
    seed: int = 0
    waves: int = 256

    def height_mm(self, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
        """Return the height at places, any shape."""
        rng = np.random.default_rng([self.seed, 77])
        number = rng.normal(0.0, math.sqrt(2.0) / self.correlation_mm, (2, self.waves))
        phase = rng.uniform(0.0, 2.0 * np.pi, self.waves)
        total = np.zeros(np.broadcast_shapes(np.shape(x_mm), np.shape(y_mm)))
        for kx, ky, start in zip(*number, phase, strict=True):
            total += np.cos(kx * x_mm + ky * y_mm + start)
        return total * self.rms_mm * math.sqrt(2.0 / self.waves)


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """Thickness over a surface.

    Attributes
    ----------
    tilt_deg : float
        Of the back against the front, growing with x.
    radius_mm : float
        Of the back's curvature about the y axis (a bore seen from outside); 0: flat.
    waviness_mm : float
        Slow general loss, between 0 and this, with a period of ``waviness_period_mm``.
    """

    nominal_mm: float
    tilt_deg: float = 0.0
    radius_mm: float = 0.0
    waviness_mm: float = 0.0
    waviness_period_mm: float = 80.0
    pits: tuple[Pit, ...] = ()
    laminations: tuple[Lamination, ...] = ()
    roughness: Roughness | None = None

    def thickness_mm(self, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
        """Return the wall that is left at places, any shape; at least 0.05 mm."""
        turn = 2.0 * np.pi / self.waviness_period_mm
        loss = 0.5 * self.waviness_mm * (1.0 + np.sin(turn * (x_mm + 0.5 * y_mm)))
        for pit in self.pits:
            loss = np.maximum(loss, pit.loss_mm(x_mm, y_mm))
        wall = self.nominal_mm - loss + x_mm * math.tan(math.radians(self.tilt_deg))
        if self.roughness is not None:
            wall = wall + self.roughness.height_mm(x_mm, y_mm)
        return np.maximum(wall, 0.05)

    def reflector_mm(self, x_mm: FloatArray, y_mm: FloatArray, centre_mm: FloatArray) -> FloatArray:
        """Return the depth the sound meets first: the back, or a lamination above it.

        ``centre_mm`` is the x of the beam's axis, from which a curved back falls away.
        """
        depth = self.thickness_mm(x_mm, y_mm)
        if self.radius_mm > 0.0:
            depth = depth + (x_mm - centre_mm) ** 2 / (2.0 * self.radius_mm)
        for lamination in self.laminations:
            above = lamination.covers(x_mm, y_mm) & (lamination.depth_mm < depth)
            depth = np.where(above, lamination.depth_mm, depth)
        return depth


@dataclass(frozen=True, slots=True)
class Beam:
    """A beam by its footprint: two-way amplitude ½ at the edge of ``footprint_mm`` across.

    A footprint of 0 is a ray along the axis. A waveform averaged while the probe moved by
    ``moved_mm`` in x is the mean over ``averages`` places on the way to where it is filed.
    """

    footprint_mm: float = 0.0
    rings: int = 8
    moved_mm: float = 0.0
    averages: int = 5

    def points(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return x, y and weight (sum 1) of points out to where the amplitude is 1/16."""
        x, y, weight = self._still()
        if self.moved_mm == 0.0:
            return x, y, weight
        back = np.linspace(-self.moved_mm, 0.0, self.averages)
        x = np.add.outer(back, x).ravel()
        return x, np.tile(y, self.averages), np.tile(weight, self.averages) / self.averages

    def _still(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the points of a probe at rest."""
        if self.footprint_mm == 0.0:
            return np.zeros(1), np.zeros(1), np.ones(1)
        step = self.footprint_mm / self.rings
        line = np.arange(-self.rings, self.rings + 1) * step
        x, y = (axis.ravel() for axis in np.meshgrid(line, line))
        square = (2.0 * np.hypot(x, y) / self.footprint_mm) ** 2
        inside = square <= 4.0
        weight = np.exp2(-square[inside])
        return x[inside], y[inside], weight / weight.sum()


@dataclass(frozen=True, eq=False, slots=True)
class Truth:
    """What lies under each trace, every array of shape (n,): on the axis, and in the −6 dB spot."""

    axis_mm: FloatArray
    least_mm: FloatArray
    mean_mm: FloatArray
    most_mm: FloatArray


@dataclass(frozen=True, eq=False, slots=True)
class Footprints:
    """Depths that n beams see: ``depth_mm`` (n, points), ``weight`` (points,), and the truth."""

    depth_mm: FloatArray
    weight: FloatArray
    truth: Truth


def look(field_: Field, beam: Beam, x_mm: FloatArray, y_mm: FloatArray) -> Footprints:
    """Return what beams at n places see of a wall."""
    dx, dy, weight = beam.points()
    x, y = x_mm[:, None] + dx, y_mm[:, None] + dy
    depth = field_.reflector_mm(x, y, x_mm[:, None])
    wall = field_.thickness_mm(x, y)
    spot = wall[:, np.hypot(dx, dy) <= 0.5 * beam.footprint_mm + 1e-9]
    truth = Truth(
        axis_mm=field_.thickness_mm(x_mm, y_mm),
        least_mm=spot.min(axis=1),
        mean_mm=spot.mean(axis=1),
        most_mm=spot.max(axis=1),
    )
    return Footprints(depth, weight, truth)


def scattered_pits(
    count: int,
    area_mm: tuple[float, float],
    deepest_mm: float,
    width_mm: tuple[float, float],
    seed: int,
    kinds: Sequence[str] = ("round",),
) -> tuple[Pit, ...]:
    """Return seeded pits over an area, the first of full depth, the others of 0.15 to 0.6 of it."""
    rng = np.random.default_rng([seed, 78])
    depth = rng.uniform(0.15, 0.6, count) * deepest_mm
    depth[:1] = deepest_mm
    return tuple(
        Pit(
            kind=str(kinds[k % len(kinds)]),
            x_mm=float(rng.uniform(0.15, 0.85) * area_mm[0]),
            y_mm=float(rng.uniform(0.15, 0.85) * area_mm[1]),
            depth_mm=float(depth[k]),
            width_mm=float(rng.uniform(*width_mm)),
            length_mm=float(rng.uniform(*width_mm)) * 3.0 if kinds[k % len(kinds)] == "slot" else 0,
        )
        for k in range(count)
    )
