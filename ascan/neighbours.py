"""What the neighbours of a raster reading say: its footprint's spread, and areas as intervals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.arrays import FloatArray
from ascan.errors import fault

COVERAGE = 2.0


def footprint_u_mm(
    x_mm: FloatArray, y_mm: FloatArray, thickness_mm: FloatArray, radius_mm: float
) -> FloatArray:
    """Return the standard uncertainty that a wall varying under the beam adds to each reading.

    A raster reading is a mean over the beam's footprint. Where its neighbours disagree with it,
    any thickness between the least and the largest of them may lie under it: their range, taken as
    rectangular.

    Parameters
    ----------
    x_mm, y_mm, thickness_mm : ndarray, shape (n,)
        Positions and readings; refused ones are NaN and say nothing.
    radius_mm : float
        How far a neighbour may be: the radius of the footprint.

    Returns
    -------
    u_mm : ndarray, shape (n,)
        NaN for refused readings, 0 for one without a neighbour.

    Raises
    ------
    AscanError
        Shapes that differ, or a radius that is not above 0.

    References
    ----------
    A value known to lie in an interval of width 2a, all alike likely: u = a / √3 (JCGM 100:2008,
    4.3.7).

    Examples
    --------
    >>> x = np.array([0.0, 1.0, 2.0, 9.0])
    >>> footprint_u_mm(x, 0.0 * x, np.array([8.0, 8.0, 7.0, 5.0]), 1.5).round(3)
    array([0.   , 0.289, 0.289, 0.   ])
    """
    from scipy.spatial import cKDTree

    if not x_mm.shape == y_mm.shape == thickness_mm.shape or x_mm.ndim != 1:
        raise fault(
            "positions",
            f"have shapes {x_mm.shape} and {y_mm.shape}, the readings {thickness_mm.shape}",
            allowed="one of each per reading",
        )
    if not radius_mm > 0.0:
        raise fault("radius_mm", f"is {radius_mm:g} mm", allowed="above 0 mm")
    out = np.full(thickness_mm.size, np.nan)
    known = np.flatnonzero(np.isfinite(thickness_mm))
    if known.size == 0:
        return out
    places, values = np.column_stack([x_mm[known], y_mm[known]]), thickness_mm[known]
    for row, near in zip(known, cKDTree(places).query_ball_point(places, radius_mm), strict=True):
        out[row] = np.ptp(values[near]) / (2.0 * np.sqrt(3.0))
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """A share of positions as an interval: at least, by the readings as they are, at most."""

    least: float
    read: float
    most: float


def share_below(thickness_mm: FloatArray, u_mm: FloatArray, limit_mm: float) -> Share:
    """Return which share of the positions lies below a limit.

    Parameters
    ----------
    thickness_mm, u_mm : ndarray, shape (n,)
        Readings and their standard uncertainties; refused ones are NaN.
    limit_mm : float

    Returns
    -------
    share : Share
        Of all positions. At least: readings below the limit by twice their u. At most: readings not
        above it by twice their u, and every position without a reading, where the wall may be thin.

    Examples
    --------
    >>> share_below(np.array([9.0, 8.0, 5.0, np.nan]), np.full(4, 0.1), 7.9)
    Share(least=0.25, read=0.25, most=0.75)
    """
    if thickness_mm.size == 0:
        return Share(least=0.0, read=0.0, most=0.0)
    slack = COVERAGE * np.nan_to_num(u_mm)
    refused = ~np.isfinite(thickness_mm)
    with np.errstate(invalid="ignore"):
        least = thickness_mm + slack < limit_mm
        read = thickness_mm < limit_mm
        most = (thickness_mm - slack < limit_mm) | refused
    return Share(least=float(least.mean()), read=float(read.mean()), most=float(most.mean()))
