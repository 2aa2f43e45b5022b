"""Apertures: the coaxial piston, and the dual-element probe as an integral over both elements."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, field

import numpy as np
from scipy.special import j0, j1

from ascan_synthetic.medium import (
    GEL,
    POLYSTYRENE,
    STEEL,
    STEEL_SHEAR_MM_PER_US,
    Medium,
    reflection,
)
from ascan_synthetic.pulse import ComplexArray, FloatArray, sum_of_delays


@dataclass(frozen=True, slots=True)
class Piston:
    """A round flat element that sends and receives."""

    radius_mm: float

    def received(self, omega: FloatArray, spread: FloatArray) -> ComplexArray:
        """Return the mean pressure over a coaxial mirror image, relative to a plane wave.

        Parameters
        ----------
        omega : ndarray, shape (frequencies,)
        spread : ndarray, shape (n,)
            Sum of leg length times velocity, mm²/µs: distance over wavenumber, times ω.

        Returns
        -------
        ndarray, shape (n, frequencies)

        References
        ----------
        D = 1 − exp(−i 2π/s) [J₀(2π/s) + i J₁(2π/s)], s = distance × wavelength / radius²: Rogers
        and Van Buren 1974, J. Acoust. Soc. Am. 55, 724 (from memory; checked against direct
        integration in the tests). Good for radii of many wavelengths.
        """
        positive = np.where(omega > 0.0, omega, 1.0)
        with np.errstate(divide="ignore"):
            turn = positive * self.radius_mm**2 / spread[:, None]
        place, table = _ripple_table()
        log_turn = np.log(np.maximum(turn, 1e-6))
        ripple = np.interp(log_turn, place, table.real) + 1j * np.interp(
            log_turn, place, table.imag
        )
        return np.asarray(np.where(omega > 0.0, 1.0 - ripple, 0.0))


@functools.cache
def _ripple_table() -> tuple[FloatArray, ComplexArray]:
    """Return log x and exp(−ix) [J₀(x) + i J₁(x)], smooth in log x: interpolated to 1e-7."""
    place = np.linspace(np.log(1e-6), np.log(1e6), 40_001)
    x = np.exp(place)
    return place, np.exp(-1j * x) * (j0(x) + 1j * j1(x))


@dataclass(frozen=True, eq=False, slots=True)
class Rays:
    """Least-time rays through flat layers, one per offset: time, and 1/distance of spreading."""

    time_us: FloatArray
    spreading_per_mm: FloatArray
    parameter_us_per_mm: FloatArray


def least_time(
    offset_mm: FloatArray, thickness_mm: list[FloatArray], velocity: list[float]
) -> Rays:
    """Return the rays that cross flat layers from top to bottom with a horizontal offset.

    Snell's parameter p solves offset = Σ hᵢ p vᵢ / √(1 − p² vᵢ²). The sum is concave in the tangent
    of the angle in the fastest layer, so Newton's steps from 0 never overshoot. The first layer is
    the source's.

    Parameters
    ----------
    offset_mm : ndarray, any shape
    thickness_mm, velocity : list
        Of each layer; thicknesses broadcast with the offsets.
    """
    fastest = max(velocity)
    offset = np.maximum(np.asarray(offset_mm, np.float64), 1e-9)
    # q, the tangent of the angle in the fastest layer: every q is a ray, so no step leaves bounds.
    q = np.zeros(np.broadcast_shapes(offset.shape, *(np.shape(h) for h in thickness_mm)))
    for _ in range(60):
        p = q / np.sqrt(1.0 + q * q) / fastest
        reach, slope = _offset_and_slope(p, thickness_mm, velocity)
        per_q = slope / fastest / (1.0 + q * q) ** 1.5
        step = (offset - reach) / per_q
        q = q + step
        if np.all(np.abs(offset - reach) < 1e-12 * (1.0 + offset)):
            break
    p = q / np.sqrt(1.0 + q * q) / fastest
    _, slope = _offset_and_slope(p, thickness_mm, velocity)
    time = p * offset
    for h, v in zip(thickness_mm, velocity, strict=True):
        time = time + h * np.sqrt(1.0 / v**2 - p**2)
    cosine = np.sqrt(1.0 - (p * velocity[0]) ** 2)
    distance = np.sqrt(offset / p * slope) * cosine / velocity[0]
    return Rays(time, 1.0 / distance, p)


def _offset_and_slope(
    p: FloatArray, thickness_mm: list[FloatArray], velocity: list[float]
) -> tuple[FloatArray, FloatArray]:
    reach, slope = np.zeros_like(p), np.zeros_like(p)
    for h, v in zip(thickness_mm, velocity, strict=True):
        cosine = np.sqrt(1.0 - (p * v) ** 2)
        reach = reach + h * p * v / cosine
        slope = slope + h * v / cosine**3
    return reach, slope


@dataclass(frozen=True, slots=True, kw_only=True)
class DualProbe:
    """Two rectangular elements on roofed delay wedges, a barrier between them.

    Attributes
    ----------
    width_mm, length_mm : float
        Of each element, across and along the barrier.
    gap_mm : float
        Between the inner edges of the elements.
    height_mm : float
        Of the element's middle above the surface.
    roof_deg : float
        Tilt of each element; their beams cross below the barrier.
    film_mm : float
        Couplant between wedge and wall.
    wedge, wall, film : Medium
        The wall's shear velocity is always that of steel.
    """

    width_mm: float = 5.0
    length_mm: float = 8.0
    gap_mm: float = 1.0
    height_mm: float = 8.0
    roof_deg: float = 3.5
    wedge: Medium = field(default=POLYSTYRENE)
    wall: Medium = field(default=STEEL)
    film: Medium = field(default=GEL)
    film_mm: float = 0.02
    nodes: int = 20

    def pairs(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return offset, joint wedge height and weight of the nodes that stand for all pairs.

        Both offset across the barrier and joint height depend on the sum of the two points' places
        across, and the offset along on the difference along: over all pairs both are spread as a
        triangle. Four integrals become two, by Gauss-Legendre on each half of the triangles.

        Returns
        -------
        offset_mm, height_mm, weight : ndarray, shape (nodes,)
            Weights sum to 1.
        """
        place, weight = np.polynomial.legendre.leggauss(self.nodes)
        half = 0.5 * (place + 1.0)
        falling = weight * (1.0 - half)  # half of a triangle of area 1 on −1..1
        across = np.concatenate([-half, half]) * self.width_mm
        across_weight = np.concatenate([falling, falling]) / 2.0
        along, along_weight = half * self.length_mm, falling
        roof = math.radians(self.roof_deg)
        middle = self.gap_mm + self.width_mm * math.cos(roof)
        x = middle + across * math.cos(roof)
        height = 2.0 * self.height_mm - across * math.sin(roof)
        offset = np.hypot(x[:, None], along[None, :]).ravel()
        return (
            offset,
            np.repeat(height, len(along)),
            (across_weight[:, None] * along_weight[None, :]).ravel(),
        )

    def legs(
        self, thickness_mm: float, height: FloatArray, down: int, shear: int
    ) -> tuple[list[FloatArray], list[float]]:
        """Return layers and velocities of a path with so many wall crossings of each kind."""
        crossings = [down * thickness_mm, shear * thickness_mm]
        steel = [self.wall.velocity_mm_per_us, STEEL_SHEAR_MM_PER_US]
        layers = [height, np.full_like(height, 2.0 * self.film_mm)]
        velocity = [self.wedge.velocity_mm_per_us, self.film.velocity_mm_per_us]
        for crossing, speed in zip(crossings, steel, strict=True):
            if crossing > 0.0:
                layers.append(np.full_like(height, crossing))
                velocity.append(speed)
        return layers, velocity

    def echo(
        self, omega: FloatArray, thickness_mm: float, number: int = 1, shear: int = 0
    ) -> ComplexArray:
        """Return one echo's spectrum, shape (frequencies,), by the integral over both elements.

        Parameters
        ----------
        omega : ndarray, shape (frequencies,)
        thickness_mm : float
        number : int
            How often the sound met the back wall.
        shear : int
            How many of its 2 × number crossings are shear waves.

        Notes
        -----
        iω/(2π v A) ∬∬ exp(−iωT) / L dS dS', T and spreading L of the least-time ray of each pair of
        points. Losses: plane-wave coefficients at normal incidence; not modelled: their change
        with the angle, and shear waves in the wedge.
        """
        offset, height, weight = self.pairs()
        layers, velocity = self.legs(thickness_mm, height, 2 * number - shear, shear)
        rays = least_time(offset, layers, velocity)
        area = self.width_mm * self.length_mm
        size = weight * rays.spreading_per_mm * area
        size = size / (2.0 * math.pi * self.wedge.velocity_mm_per_us)
        if shear:
            size = size * converted(rays.parameter_us_per_mm, self.wall)
        wall = reflection(self.wall, self.wedge) ** (number - 1) * (-1.0) ** number
        through = 1.0 - reflection(self.wedge, self.wall) ** 2
        waves = sum_of_delays(omega, rays.time_us[None], size[None])[0]
        return np.asarray(1j * omega * waves * wall * through)

    def earliest_us(self, thickness_mm: float, number: int = 1) -> float:
        """Return the time of the least-time ray over all pairs of points, by a fine search."""
        roof = math.radians(self.roof_deg)
        across = np.linspace(-1.0, 1.0, 4001) * self.width_mm
        x = self.gap_mm + self.width_mm * math.cos(roof) + across * math.cos(roof)
        height = 2.0 * self.height_mm - across * math.sin(roof)
        layers, velocity = self.legs(thickness_mm, height, 2 * number, 0)
        return float(least_time(x, layers, velocity).time_us.min())


def converted(parameter: FloatArray, wall: Medium = STEEL) -> FloatArray:
    """Return the share of a longitudinal wave that a free surface turns into a shear wave.

    References
    ----------
    Free-surface reflection, amplitude ratio of potentials scaled to displacement; any text on
    elastic waves (form from memory, checked for energy in the tests).
    """
    fast, slow = wall.velocity_mm_per_us, STEEL_SHEAR_MM_PER_US
    p2 = parameter**2
    vertical_fast = np.sqrt(1.0 / fast**2 - p2)
    vertical_slow = np.sqrt(1.0 / slow**2 - p2)
    shear_term = (1.0 / slow**2 - 2.0 * p2) ** 2
    mixed = 4.0 * p2 * vertical_fast * vertical_slow
    ratio = 4.0 * parameter * vertical_fast * (1.0 / slow**2 - 2.0 * p2) / (shear_term + mixed)
    return np.asarray(ratio * fast / slow)
