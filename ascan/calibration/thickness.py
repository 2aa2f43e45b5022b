"""From interval to thickness with its uncertainty, random and common parts apart."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.base.flags import FATAL, Flag
from ascan.kernels.arrays import FlagArray, FloatArray
from ascan.kernels.jit import compiled
from ascan.path.direct import thickness_mm

FATAL_BITS = np.uint32(FATAL)
NOT_POSITIVE = np.uint32(Flag.NOT_POSITIVE)
UPPER_BOUND = np.uint32(Flag.UPPER_BOUND)
COVERAGE = 2.0


class Curve(NamedTuple):
    """A calibration curve.

    Attributes
    ----------
    thickness_mm, time_us, u_time_us : ndarray, shape (nodes,)
        Thickness, time, and the standard uncertainty of that time; both first ones grow.
    earliest_us : float
        No wall's echo comes before this.
    thinnest_mm : float
        Thinnest step. A reading below it by more than twice its u becomes an upper bound: this
        value, with ``UPPER_BOUND``.
    repeatability_us : float
    """

    thickness_mm: FloatArray
    time_us: FloatArray
    u_time_us: FloatArray
    earliest_us: float
    thinnest_mm: float
    repeatability_us: float


class Walls(NamedTuple):
    """Thickness in mm, what a µs is worth there in mm, and the curve's u in mm, shape (n,)."""

    thickness: FloatArray
    per_us: FloatArray
    u_curve: FloatArray


def walls(rows: int) -> Walls:
    """Return room for so many."""
    return Walls(np.empty(rows), np.empty(rows), np.zeros(rows))


@compiled
def look_up_thickness(
    interval_us: FloatArray, u_interval_us: FloatArray, curve: Curve, out: Walls, flags: FlagArray
) -> None:
    """Write thickness from a calibration curve, in mm; NaN iff fatal.

    Notes
    -----
    A time u is worth u / (∂t/∂d) of thickness; beyond the curve its last slope goes on.
    """
    nodes, times, u_times, earliest_us, thinnest_mm, repeatability_us = curve
    thickness, per_us, u_curve = out
    count = nodes.size
    for row in range(interval_us.size):
        value = interval_us[row]
        if not flags[row] & FATAL_BITS and not value > earliest_us:
            flags[row] |= NOT_POSITIVE
        if flags[row] & FATAL_BITS:
            thickness[row] = np.nan
            per_us[row] = np.nan
            u_curve[row] = np.nan
            continue
        k = min(max(int(np.searchsorted(times, value)), 1), count - 1)
        slope = (times[k] - times[k - 1]) / (nodes[k] - nodes[k - 1])
        found = nodes[k - 1] + (value - times[k - 1]) / slope
        random = np.hypot(u_interval_us[row], repeatability_us) / slope
        common = u_times[k] / slope
        if found < thinnest_mm - COVERAGE * np.hypot(random, common):
            found = thinnest_mm
            flags[row] |= UPPER_BOUND
        thickness[row] = found
        per_us[row] = 1.0 / slope
        u_curve[row] = common


@compiled
def to_thickness(
    interval_us: FloatArray, zero_us: float, velocity_mm_per_us: float, out: Walls, flags: FlagArray
) -> None:
    """Write thickness from a calibration line, velocity × (interval − zero) / 2; NaN iff fatal."""
    thickness, per_us, _ = out
    for row in range(interval_us.size):
        value = thickness_mm(interval_us[row], zero_us, velocity_mm_per_us)
        if not flags[row] & FATAL_BITS and not value > 0.0:
            flags[row] |= NOT_POSITIVE
        fatal = flags[row] & FATAL_BITS
        thickness[row] = np.nan if fatal else value
        per_us[row] = np.nan if fatal else 0.5 * velocity_mm_per_us


def line_parts(
    thickness_mm: FloatArray, velocity_mm_per_us: float, covariance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return what readings follow of a line's two independent errors, in mm for one u of each.

    Parameters
    ----------
    thickness_mm : ndarray, shape (n,)
    velocity_mm_per_us : float
    covariance : ndarray, shape (2, 2)
        Of zero (µs) and velocity (mm/µs).

    Returns
    -------
    level, velocity : ndarray, shape (n,)
        The line's height where zero and velocity are told apart best, and its velocity about that
        thickness. The root of the sum of both squares is the u of the line.

    References
    ----------
    d = v (t − t₀) / 2 with the covariance C of (t₀, v): u² = J C Jᵀ, J = (−v/2, d/v) (JCGM
    100:2008, 5.2.2, equation (13)). With t₀ = a + b v, b = C₁₂ / C₂₂, the errors of a and of v are
    independent.
    """
    u_velocity = np.sqrt(covariance[1, 1])
    slope = covariance[0, 1] / covariance[1, 1] if u_velocity > 0.0 else 0.0
    u_level = np.sqrt(max(covariance[0, 0] - slope * covariance[0, 1], 0.0))
    half = 0.5 * velocity_mm_per_us
    nothing = 0.0 * thickness_mm
    by_velocity = (thickness_mm / velocity_mm_per_us - half * slope) * u_velocity
    return nothing - half * u_level, nothing + by_velocity
