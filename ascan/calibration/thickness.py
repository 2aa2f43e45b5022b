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


class Line(NamedTuple):
    """A calibration line: thickness is velocity × (interval − zero) / 2.

    Attributes
    ----------
    zero_us, velocity_mm_per_us : float
    covariance : ndarray, shape (2, 2)
        Of both.
    repeatability_us, lack_of_fit_us : float
    """

    zero_us: float
    velocity_mm_per_us: float
    covariance: FloatArray
    repeatability_us: float
    lack_of_fit_us: float


class Walls(NamedTuple):
    """Thickness in mm, and the two parts of its standard uncertainty, shape (n,)."""

    thickness: FloatArray
    u_random: FloatArray
    u_common: FloatArray


def walls(rows: int) -> Walls:
    """Return room for so many."""
    return Walls(np.empty(rows), np.empty(rows), np.empty(rows))


@compiled
def look_up_thickness(
    interval_us: FloatArray, u_interval_us: FloatArray, curve: Curve, out: Walls, flags: FlagArray
) -> None:
    """Write thickness and its uncertainties from a calibration curve, in mm; NaN iff fatal.

    Notes
    -----
    A time u is worth u / (∂t/∂d) of thickness; beyond the curve its last slope goes on.
    """
    nodes, times, u_times, earliest_us, thinnest_mm, repeatability_us = curve
    thickness, u_random, u_common = out
    count = nodes.size
    for row in range(interval_us.size):
        value = interval_us[row]
        if not flags[row] & FATAL_BITS and not value > earliest_us:
            flags[row] |= NOT_POSITIVE
        if flags[row] & FATAL_BITS:
            thickness[row] = np.nan
            u_random[row] = np.nan
            u_common[row] = np.nan
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
        u_random[row] = random
        u_common[row] = common


@compiled
def to_thickness(
    interval_us: FloatArray, u_interval_us: FloatArray, line: Line, out: Walls, flags: FlagArray
) -> None:
    """Write thickness and the two parts of its standard uncertainty, in mm; NaN iff fatal.

    Notes
    -----
    Random part (differs from reading to reading): noise and repeatability, v/2 · u_t. Common part
    (the same error in every reading of this calibration): d = v (t − t₀) / 2 with the covariance C
    of (t₀, v), u² = J C Jᵀ, J = (−v/2, d/v), and the lack of fit.

    References
    ----------
    JCGM 100:2008, 5.2.2, equation (13): correlated input quantities.
    """
    zero_us, velocity_mm_per_us, covariance, repeatability_us, lack_of_fit_us = line
    thickness, u_random, u_common = out
    half = 0.5 * velocity_mm_per_us
    for row in range(interval_us.size):
        value = thickness_mm(interval_us[row], zero_us, velocity_mm_per_us)
        if not flags[row] & FATAL_BITS and not value > 0.0:
            flags[row] |= NOT_POSITIVE
        if flags[row] & FATAL_BITS:
            thickness[row] = np.nan
            u_random[row] = np.nan
            u_common[row] = np.nan
            continue
        per_velocity = value / velocity_mm_per_us
        variance = (
            half * half * (covariance[0, 0] + lack_of_fit_us * lack_of_fit_us)
            + per_velocity * per_velocity * covariance[1, 1]
            - 2.0 * half * per_velocity * covariance[0, 1]
        )
        thickness[row] = value
        u_random[row] = half * np.hypot(u_interval_us[row], repeatability_us)
        u_common[row] = np.sqrt(max(variance, 0.0))
