"""What the neighbours of a raster reading say: spread, joint map, and shares as intervals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.base.errors import fault
from ascan.kernels.arrays import BoolArray, FloatArray

COVERAGE = 2.0
# A neighbour is at most so many pitches away, diagonals included.
NEAR_PITCHES = 1.5
APART_SIGMAS, SLIGHT_SHARE = 4.0, 0.02
# A joint map is solved for so many positions at most: its matrix is inverted as a whole.
MOST_POSITIONS = 4000


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


def isolated_readings(
    x_mm: FloatArray, y_mm: FloatArray, thickness_mm: FloatArray, u_mm: FloatArray
) -> BoolArray:
    """Return which readings of a raster no neighbour supports: those to look at a second time.

    An opinion, never a correction: a pit that one position sees stands just as alone as an echo
    wrongly picked. Neighbours lie within `NEAR_PITCHES` of the usual distance to the nearest one;
    one supports a reading from which it differs by less than `APART_SIGMAS` combined standard
    uncertainties, or by `SLIGHT_SHARE` of the wall. With fewer than two neighbours none is told.

    Parameters
    ----------
    x_mm, y_mm, thickness_mm, u_mm : ndarray, shape (n,)
        Refused readings are NaN: they support nothing and are not told.

    Returns
    -------
    isolated : ndarray of bool, shape (n,)

    Examples
    --------
    >>> x, read_mm = np.arange(5.0), np.array([8.0, 8.0, 6.0, 8.0, 8.0])
    >>> isolated_readings(x, 0.0 * x, read_mm, np.full(5, 0.01)).tolist()
    [False, False, True, False, False]
    """
    from scipy.spatial import cKDTree

    lone = np.zeros(thickness_mm.size, np.bool_)
    known = np.flatnonzero(np.isfinite(thickness_mm) & np.isfinite(x_mm) & np.isfinite(y_mm))
    if known.size < 3:
        return lone
    places = np.column_stack([x_mm[known], y_mm[known]])
    tree = cKDTree(places)
    pitch_mm = float(np.median(tree.query(places, k=2)[0][:, 1]))
    value, square = thickness_mm[known], u_mm[known] ** 2
    for k, near in enumerate(tree.query_ball_point(places, NEAR_PITCHES * pitch_mm + 1e-9)):
        others = np.array([row for row in near if row != k], np.int64)
        if others.size < 2:
            continue
        most = np.maximum(
            APART_SIGMAS * np.sqrt(square[k] + square[others]), SLIGHT_SHARE * value[k]
        )
        lone[known[k]] = bool((np.abs(value[others] - value[k]) > most).all())
    return lone


def joint_map(
    x_mm: FloatArray,
    y_mm: FloatArray,
    thickness_mm: FloatArray,
    u_mm: FloatArray,
    *,
    footprint_mm: float,
    roughness_mm: float,
) -> tuple[FloatArray, FloatArray]:
    """Return the wall that all readings of a raster together make likely, and its uncertainty.

    Each reading is taken as the mean of the wall under a Gaussian beam; positions ``footprint_mm``
    apart may differ by ``roughness_mm``. To be shown beside the readings, never instead of them: a
    pit that no reading shows is in no joint map either.

    Parameters
    ----------
    x_mm, y_mm, thickness_mm, u_mm : ndarray, shape (n,)
        Positions, readings and their standard uncertainties; refused readings are NaN.
    footprint_mm : float
        Width of the beam at half its amplitude.
    roughness_mm : float
        Standard deviation of the difference between positions a footprint apart.

    Returns
    -------
    wall_mm, u_mm : ndarray, shape (n,)
        NaN where there is no reading.

    Raises
    ------
    AscanError
        More than 4000 readings, or a width or roughness that is not above 0.

    Notes
    -----
    Least squares with a prior (Gauss-Markov): (WᵀU⁻¹W + C⁻¹) d = WᵀU⁻¹ y + C⁻¹ m, W the beam's
    weights, C a Gaussian covariance of the footprint's length, m the mean reading.
    """
    for name, value in (("footprint_mm", footprint_mm), ("roughness_mm", roughness_mm)):
        if not value > 0.0:
            raise fault(name, f"is {value:g} mm", allowed="above 0 mm")
    known = np.flatnonzero(np.isfinite(thickness_mm))
    if known.size > MOST_POSITIONS:
        raise fault(
            "joint_map",
            f"is asked for {known.size} readings",
            allowed=f"up to {MOST_POSITIONS}",
            remedy="take a part of the scan",
        )
    wall, u_wall = np.full(thickness_mm.size, np.nan), np.full(thickness_mm.size, np.nan)
    if known.size == 0:
        return wall, u_wall
    x, y, read = x_mm[known], y_mm[known], thickness_mm[known]
    square = (x[:, None] - x) ** 2 + (y[:, None] - y) ** 2
    # Half of the amplitude at half the width.
    beam = np.exp(-4.0 * np.log(2.0) * square / footprint_mm**2)
    beam /= beam.sum(axis=1, keepdims=True)
    covariance = 0.5 * roughness_mm**2 / (1.0 - np.exp(-0.5))
    prior = covariance * np.exp(-0.5 * square / footprint_mm**2)
    seen = beam @ prior
    total = seen @ beam.T + np.diag(u_mm[known] ** 2)
    gain = np.linalg.solve(total, seen).T
    mean = float(np.mean(read))
    wall[known] = mean + gain @ (read - mean)
    left = np.diag(prior) - np.einsum("ij,ji->i", gain, seen)
    u_wall[known] = np.sqrt(np.maximum(left, 0.0))
    return wall, u_wall


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
