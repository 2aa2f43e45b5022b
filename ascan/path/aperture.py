"""The first echoes of a dual-element probe as its two elements hear them, from nominal geometry.

Each pair of points, one on either element, hears the pulse at the least time between them; the echo
is their sum. The least time itself is only its onset: which part of the elements rules, and with it
shape and crest of the echo, changes with the wall. Nominal dimensions serve, since a calibration
on steps takes up what is left of their error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ascan.kernels.arrays import FloatArray
from ascan.path.wedge import Layers, least_time

# Cells across and along an element of 5 × 8 mm; twice as many change no time by 0.1 ns (tests). A
# larger element has cells of the same size: coarser ones would be heard one by one.
ACROSS, ALONG = 48, 12
USUAL_WIDTH_MM, USUAL_LENGTH_MM = 5.0, 8.0
# Transverse against longitudinal velocity of steel (3230 and 5920 m/s, EN 15317 and handbooks).
SHEAR_RATIO = 3.230 / 5.920
# Acoustic impedance of a plastic wedge against that of steel, about (2.5 and 45 MRayl): the second
# echo has lost what entered the wedge.
BACK_INTO_WALL = -0.9
# Crossings of the wall as a longitudinal and as a transverse wave, and strength against the first:
# first echo, converted on the way up or down, second and third echo (each has met the back once
# more, which inverts it, and the front, which inverts it again).
ARRIVALS = ((2, 0, 1.0), (1, 1, 2.0), (4, 0, -BACK_INTO_WALL), (6, 0, BACK_INTO_WALL**2))
GRID_US = 0.0025


class Pairs(NamedTuple):
    """Pairs of points of two elements: offset, joint height in the wedges (mm), and weight."""

    offset: FloatArray
    height: FloatArray
    weight: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class DualGeometry:
    """Nominal dimensions of a dual-element probe.

    Attributes
    ----------
    height_mm : float
        From the middle of an element down to the surface.
    velocity_mm_per_us : float
        Of the wedge.
    roof_deg : float
        Tilt of each element towards the other.
    width_mm, length_mm : float
        Of each element, across and along the barrier.
    gap_mm : float
        Between the inner edges of the elements.
    """

    height_mm: float
    velocity_mm_per_us: float
    roof_deg: float
    width_mm: float
    length_mm: float
    gap_mm: float

    def pairs(self) -> Pairs:
        """Return offset, joint height in the wedges and weight of all pairs of points.

        Offset and height depend on the sum of the two places across and on the difference of the
        two along: cells of equal sum, or difference, are gathered (a convolution of uniform
        densities), so that n² pairs become 2n − 1.
        """
        roof = math.radians(self.roof_deg)
        count = math.ceil(ACROSS * max(self.width_mm / USUAL_WIDTH_MM, 1.0))
        along_count = math.ceil(ALONG * max(self.length_mm / USUAL_LENGTH_MM, 1.0))
        cells = np.ones(count) / count
        across = (np.arange(2 * count - 1) + 1.0) / count * self.width_mm - self.width_mm
        along = np.arange(along_count) / along_count * self.length_mm
        along_cells = np.ones(along_count) / along_count
        along_weight = np.convolve(along_cells, along_cells)[along_count - 1 :] * 2.0
        along_weight[0] /= 2.0
        weight = np.outer(np.convolve(cells, cells), along_weight)
        middle = self.gap_mm + self.width_mm * math.cos(roof)
        offset = np.hypot((middle + across * math.cos(roof))[:, None], along)
        height = np.broadcast_to(
            (2.0 * self.height_mm - across * math.sin(roof))[:, None], offset.shape
        )
        return Pairs(offset.ravel(), height.ravel(), weight.ravel())

    def middle_time_us(
        self, thickness_mm: FloatArray, velocity: float, echo: int = 1
    ) -> FloatArray:
        """Return the least time between the elements' middles, shape of the thicknesses."""
        depth = np.asarray(thickness_mm, np.float64)
        offset = np.full_like(
            depth, self.gap_mm + self.width_mm * math.cos(math.radians(self.roof_deg))
        )
        wedge = np.full_like(depth, 2.0 * self.height_mm)
        layers = Layers(
            np.stack([wedge, 2.0 * echo * depth]), np.array([self.velocity_mm_per_us, velocity])
        )
        return least_time(layers, offset)[0]


def converted_later_us(thickness_mm: FloatArray, velocity_mm_per_us: float) -> FloatArray:
    """Return by how much the echo that runs one way as a transverse wave comes after the first."""
    return thickness_mm / velocity_mm_per_us * (1.0 / SHEAR_RATIO - 1.0)


def first_echoes(
    geometry: DualGeometry,
    thickness_mm: FloatArray,
    velocity_mm_per_us: float,
    frequency_mhz: float,
    time_us: FloatArray,
) -> FloatArray:
    """Return what the probe hears of walls: three echoes and the first one's converted follower.

    Parameters
    ----------
    geometry : DualGeometry
    thickness_mm : ndarray, shape (n,)
    velocity_mm_per_us : float
        Of the wall.
    frequency_mhz : float
        The pulse is a cosine of this frequency under a Gaussian, 60 % wide at half amplitude.
    time_us : ndarray, shape (samples,)
        Times after the pulse left, evenly spaced.

    Returns
    -------
    ndarray, shape (n, samples)
        Relative to the largest of each row; the first echo opens with the pulse's own sign.
    """
    fine = np.arange(time_us[0], time_us[-1], GRID_US)
    out = np.empty((len(thickness_mm), time_us.size))
    for row, depth in enumerate(thickness_mm):
        density = np.zeros(fine.size + 1)
        for time, part in arrivals(geometry, float(depth), velocity_mm_per_us):
            spread(density, (time - fine[0]) / GRID_US, part)
        out[row] = np.interp(time_us, fine, _heard(density[:-1], frequency_mhz))
    return np.asarray(out / np.abs(out).max(axis=1, keepdims=True))


def arrivals(
    geometry: DualGeometry,
    thickness_mm: float,
    velocity_mm_per_us: float,
    shear_ratio: float = SHEAR_RATIO,
) -> list[tuple[FloatArray, FloatArray]]:
    """Return times (µs) and weights of all pairs of points, for each of `ARRIVALS`."""
    offset, height, weight = geometry.pairs()
    shear = shear_ratio * velocity_mm_per_us
    out = []
    for down, slow, size in ARRIVALS:
        layers = Layers(
            np.stack([height, *(np.full_like(height, n * thickness_mm) for n in (down, slow))]),
            np.array([geometry.velocity_mm_per_us, velocity_mm_per_us, shear]),
        )
        time, slowness = least_time(layers, offset)
        part = size * weight / _distance(layers, slowness, offset)
        if slow:
            part = part * _converted(slowness, velocity_mm_per_us, shear)
        out.append((time, part))
    return out


def spread(density: FloatArray, place: FloatArray, weight: FloatArray) -> None:
    """Add weights at places between the cells, shared between the two neighbours."""
    inside = (place >= 0.0) & (place < density.size - 2)
    index = place[inside].astype(np.int64)
    share = place[inside] - index
    np.add.at(density, index, weight[inside] * (1.0 - share))
    np.add.at(density, index + 1, weight[inside] * share)


def _heard(density: FloatArray, frequency_mhz: float) -> FloatArray:
    """Return arrivals convolved with the derivative of the pulse (the field of a piston source)."""
    sigma = math.sqrt(2.0 * math.log(2.0)) / (math.pi * 0.6 * frequency_mhz)
    half = int(np.ceil(6.0 * sigma / GRID_US))
    after = np.arange(-half, half + 1) * GRID_US
    pulse = np.cos(2.0 * np.pi * frequency_mhz * after) * np.exp(-0.5 * (after / sigma) ** 2)
    return np.convolve(density, np.gradient(pulse), "same")


def _distance(layers: Layers, slowness: FloatArray, offset: FloatArray) -> FloatArray:
    """Return the distance that spreading in three dimensions is equal to.

    A tube of rays spreads by X dX/dp along and across the surface: L² = X (dX/dp) cos²θ / (p v²)
    in the source's layer.
    """
    sine = layers.sines(slowness)
    cosine = np.sqrt((1.0 - sine) * (1.0 + sine))
    velocity = layers.velocity_mm_per_us[:, None]
    per_slowness = (layers.thickness_mm * velocity / cosine**3).sum(axis=0)
    along = offset / np.maximum(slowness, 1e-12)
    return np.asarray(np.sqrt(along * per_slowness) * cosine[0] / velocity[0])


def _converted(slowness: FloatArray, fast: float, slow: float) -> FloatArray:
    """Return the share of a longitudinal wave that a free surface turns into a transverse one.

    References
    ----------
    Reflection of a plane longitudinal wave at a free surface, in angles: 2 κ sin 2α cos 2β /
    (sin 2α sin 2β + κ² cos² 2β), κ = fast / slow, scaled to displacements (from memory).
    """
    alpha, beta = np.arcsin(slowness * fast), np.arcsin(slowness * slow)
    kappa = fast / slow
    under = np.sin(2.0 * alpha) * np.sin(2.0 * beta) + (kappa * np.cos(2.0 * beta)) ** 2
    return np.asarray(2.0 * kappa * np.sin(2.0 * alpha) * np.cos(2.0 * beta) / under)
