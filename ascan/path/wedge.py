"""The refracted path of a dual-element probe: wedge, couplant film, wall, and up again.

Sound leaves a point of one element, refracts into the wall, meets its back ``crossings / 2`` times
and ends at a point of the other. Unfolded at the back wall it is one ray through flat layers, and
the path of least time obeys Snell's law: the same slowness along the surface in every layer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.arrays import FloatArray

# Halvings of the bracket for the slowness along the surface. The time is least there: an error of
# 1e-13 of the bracket does not show in it.
HALVINGS = 44


@dataclass(frozen=True, eq=False, slots=True)
class Layers:
    """Flat layers that a ray crosses, every thickness counted as often as it is crossed.

    Attributes
    ----------
    thickness_mm : ndarray, shape (layers, ...)
        Broadcasts with the offsets asked for.
    velocity_mm_per_us : ndarray, shape (layers,)
    """

    thickness_mm: FloatArray
    velocity_mm_per_us: FloatArray

    def sines(self, slowness: FloatArray) -> FloatArray:
        """Return the sine of the ray's angle in every layer, shape (layers, ...)."""
        shape = (-1,) + (1,) * np.ndim(slowness)
        return np.asarray(self.velocity_mm_per_us.reshape(shape) * slowness)


def least_time(layers: Layers, offset_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return time and slowness along the surface of the rays that run a horizontal offset.

    Parameters
    ----------
    layers : Layers
    offset_mm : ndarray
        At least 0; its shape is that of one layer's thickness.

    Returns
    -------
    time_us, slowness_us_per_mm : ndarray, shape of the offsets

    Notes
    -----
    The offset Σ h tan θ grows with the slowness p (sin θ = p v in each layer), from 0 to infinity
    as p nears 1 / v of the fastest: the root is bracketed and halved. Time is Σ h / (v cos θ).
    """
    offset = np.asarray(offset_mm, np.float64)
    low = np.zeros_like(offset)
    high = np.full_like(offset, 1.0 / float(layers.velocity_mm_per_us.max()))
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        short = _offset(layers, middle) < offset
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    sine = layers.sines(low)
    cosine = np.sqrt((1.0 - sine) * (1.0 + sine))
    velocity = layers.velocity_mm_per_us.reshape((-1,) + (1,) * offset.ndim)
    return np.asarray((layers.thickness_mm / (velocity * cosine)).sum(axis=0)), low


def _offset(layers: Layers, slowness: FloatArray) -> FloatArray:
    sine = layers.sines(slowness)
    with np.errstate(divide="ignore", invalid="ignore"):
        tangent = sine / np.sqrt((1.0 - sine) * (1.0 + sine))
    return np.asarray((layers.thickness_mm * tangent).sum(axis=0))
