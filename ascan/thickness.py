"""From interval to thickness with its uncertainty, random and common parts apart."""

from __future__ import annotations

import numpy as np

from ascan.arrays import FlagArray, FloatArray
from ascan.flags import FATAL, Flag
from ascan.kernels.jit import compiled
from ascan.path.direct import thickness_mm

FATAL_BITS = np.uint32(FATAL)
NOT_POSITIVE = np.uint32(Flag.NOT_POSITIVE)


@compiled
def to_thickness(
    interval_us: FloatArray,
    u_interval_us: FloatArray,
    zero_us: float,
    velocity_mm_per_us: float,
    covariance: FloatArray,
    repeatability_us: float,
    lack_of_fit_us: float,
    thickness: FloatArray,
    u_random: FloatArray,
    u_common: FloatArray,
    flags: FlagArray,
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
