"""Zero offset, velocity and half separation of the V-path from step readings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.base.errors import calibration_fault as fault
from ascan.kernels.arrays import FloatArray

LEAST_STEPS = 3
MOST_SEPARATION_MM = 20.0
ROUNDS = 60


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class VeeFit:
    """t = zero + 2 √(d² + s²) / v; ``covariance`` is that of (zero, 2 / v, s²)."""

    zero_us: float
    velocity_mm_per_us: float
    half_separation_mm: float
    covariance: FloatArray
    residual_us: FloatArray


def fit_vee(thickness_mm: FloatArray, time_us: FloatArray, u_time_us: FloatArray) -> VeeFit:
    """Fit the three numbers by least squares: a scan over s, then Gauss-Newton steps.

    Parameters
    ----------
    thickness_mm, time_us, u_time_us : ndarray, shape (steps,)
        At least three steps. With three, nothing is left to tell how well the path fits.

    Raises
    ------
    AscanError
        Fewer than three different steps.
    """
    if np.unique(thickness_mm).size < LEAST_STEPS:
        raise fault(
            "calibration",
            f"fits three numbers of a V-path to {np.unique(thickness_mm).size} steps",
            allowed="three steps or more",
        )
    scan = np.linspace(0.0, MOST_SEPARATION_MM, 401) ** 2 / MOST_SEPARATION_MM
    squares = [_linear(thickness_mm, time_us, u_time_us, s)[1] for s in scan]
    s = float(scan[int(np.argmin(squares))])
    (zero, slowness), _ = _linear(thickness_mm, time_us, u_time_us, s)
    square = s * s
    for _ in range(ROUNDS):
        slant = np.sqrt(thickness_mm**2 + square)
        # In s², not s: the derivative by s vanishes where s is 0.
        columns = np.stack([np.ones_like(slant), slant, 0.5 * slowness / slant], axis=1)
        rest = time_us - zero - slowness * slant
        step = np.linalg.lstsq(columns / u_time_us[:, None], rest / u_time_us, rcond=None)[0]
        zero, slowness = zero + step[0], slowness + step[1]
        square = max(square + step[2], 0.0)
    weighted = columns / u_time_us[:, None]
    return VeeFit(
        zero_us=float(zero),
        velocity_mm_per_us=float(2.0 / slowness),
        half_separation_mm=float(np.sqrt(square)),
        covariance=np.asarray(np.linalg.pinv(weighted.T @ weighted), np.float64),
        residual_us=time_us - zero - slowness * np.sqrt(thickness_mm**2 + square),
    )


def _linear(
    d: FloatArray, time_us: FloatArray, u: FloatArray, s: float
) -> tuple[FloatArray, float]:
    """Return zero and slowness for a given s, and the weighted sum of squares left."""
    columns = np.stack([np.ones_like(d), np.hypot(d, s)], axis=1) / u[:, None]
    found = np.linalg.lstsq(columns, time_us / u, rcond=None)[0]
    rest = time_us / u - columns @ found
    return np.asarray(found, np.float64), float(rest @ rest)
