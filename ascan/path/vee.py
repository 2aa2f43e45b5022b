"""The V-shaped path between two elements: down to the wall's back and up again, 2 s apart.

t = t₀ + 2 √(d² + s²) / v. The s that a calibration finds is an effective number of its probe, not a
dimension: elements are wide, their beams refract, and the first arrival comes from their edges.
"""

from __future__ import annotations

import numpy as np

from ascan.kernels.jit import compiled


@compiled
def interval_us(
    thickness_mm: float, zero_us: float, velocity_mm_per_us: float, half_separation_mm: float
) -> float:
    """Return the time of a wall's echo.

    References
    ----------
    Geometry; 2 s is the distance between the points where the sound enters and leaves the wall
    (ISO 16809 annex, from memory).

    Examples
    --------
    >>> round(interval_us(1.0, 0.0, 5.920, 1.5), 5), round(interval_us(25.0, 0.0, 5.920, 1.5), 5)
    (0.60905, 8.46113)
    """
    slant = np.float64(np.hypot(thickness_mm, half_separation_mm))
    return zero_us + 2.0 * slant / velocity_mm_per_us


@compiled
def thickness_mm(
    interval_us: float, zero_us: float, velocity_mm_per_us: float, half_separation_mm: float
) -> float:
    """Return the wall that a time means; 0 at the least time, NaN before it."""
    slant = 0.5 * velocity_mm_per_us * (interval_us - zero_us)
    if slant < half_separation_mm:
        return np.nan
    return np.float64(np.sqrt((slant - half_separation_mm) * (slant + half_separation_mm)))


@compiled
def slope_us_per_mm(
    thickness_mm: float, velocity_mm_per_us: float, half_separation_mm: float
) -> float:
    """Return ∂t/∂d = 2 d / (v √(d² + s²)): it falls to 0 with d, where timing tells little."""
    slant = np.float64(np.hypot(thickness_mm, half_separation_mm))
    return 2.0 * thickness_mm / (velocity_mm_per_us * slant)


@compiled
def least_interval_us(
    zero_us: float, velocity_mm_per_us: float, half_separation_mm: float
) -> float:
    """Return the earliest time that has a thickness: 2 s / v after the zero, a wall of 0."""
    return zero_us + 2.0 * half_separation_mm / velocity_mm_per_us
