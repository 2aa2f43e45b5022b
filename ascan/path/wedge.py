"""The refracted path of a dual-element probe: wedge, couplant film, wall, and up again.

Sound leaves a point of one element, refracts into the wall, meets its back ``crossings / 2`` times
and ends at a point of the other. Unfolded at the back wall it is one ray through flat layers, and
the path of least time obeys Snell's law: the same slowness along the surface in every layer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.kernels.arrays import FloatArray
from ascan.kernels.jit import compiled

# Steps of the search for the slowness along the surface, and what part of the bracket ends it: the
# time is least there, so that a smaller error does not show in it.
STEPS, SETTLED = 60, 1e-13


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
    as p nears 1 / v of the fastest: the root is bracketed, and Newton's steps stay inside. Time is
    Σ h / (v cos θ).
    """
    offset = np.asarray(offset_mm, np.float64)
    thickness = np.broadcast_to(layers.thickness_mm, (len(layers.thickness_mm), *offset.shape))
    time, slowness = np.empty(offset.size), np.empty(offset.size)
    flat = np.ascontiguousarray(thickness.reshape(len(thickness), -1), np.float64)
    trace_rays(
        flat,
        np.asarray(layers.velocity_mm_per_us, np.float64),
        np.ascontiguousarray(offset.ravel()),
        time,
        slowness,
    )
    return time.reshape(offset.shape), slowness.reshape(offset.shape)


@compiled
def trace_rays(
    thickness_mm: FloatArray,
    velocity_mm_per_us: FloatArray,
    offset_mm: FloatArray,
    time: FloatArray,
    slowness: FloatArray,
) -> None:
    """Write time and slowness of rays through layers, thickness of shape (layers, rays)."""
    layers = velocity_mm_per_us.size
    fastest = 0.0
    for layer in range(layers):
        fastest = max(fastest, velocity_mm_per_us[layer])
    for ray in range(offset_mm.size):
        low, high = 0.0, 1.0 / fastest
        middle = 0.5 * high
        for _ in range(STEPS):
            reach, slope = 0.0, 0.0
            for layer in range(layers):
                sine = velocity_mm_per_us[layer] * middle
                square = (1.0 - sine) * (1.0 + sine)
                root = np.sqrt(square)
                reach += thickness_mm[layer, ray] * sine / root
                slope += thickness_mm[layer, ray] * velocity_mm_per_us[layer] / (square * root)
            short = reach < offset_mm[ray]
            if short:
                low = middle
            else:
                high = middle
            # Newton's step, halved bracket where it leaves it.
            following = middle + (offset_mm[ray] - reach) / slope
            if not low < following < high:
                following = 0.5 * (low + high)
            if abs(following - middle) < SETTLED / fastest:
                middle = following
                break
            middle = following
        total = 0.0
        for layer in range(layers):
            sine = velocity_mm_per_us[layer] * middle
            root = np.sqrt((1.0 - sine) * (1.0 + sine))
            total += thickness_mm[layer, ray] / (velocity_mm_per_us[layer] * root)
        time[ray], slowness[ray] = total, middle
