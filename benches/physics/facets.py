"""The sum over the facets of a rough back wall: slope, area, and which of them the element sees.

A facet is a bilinear cell of the ground. Where it is steep it is cut into pieces less than
`PIECE_MM` high, for its phase turns within it. A facet that every point of the element sees takes
the element's exact field from a table, each point's obliquity in it. One that faces away from some
points, or hides from them behind other ground, takes the field times the share of the element that
sees it, out and back, and that share's mean obliquity; the phase stays the whole element's.
"""

from __future__ import annotations

import math
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
PIECE_MM, MOST_PIECES = 0.1, 40
AZIMUTHS, HORIZON_MM = 24, 7.0


@numba.njit(cache=True)  # type: ignore[untyped-decorator]
def horizons(wall_mm: Floats, cell_mm: float) -> NDArray[np.float32]:
    """Return how steeply the ground rises around each cell, (rows − 1, columns − 1, azimuths).

    The greatest (own depth − depth there) / distance towards each azimuth, 1.5 cells to
    `HORIZON_MM` away, at the nearest node. What is steeper hides a facet from all that lies lower.
    """
    rows, columns = wall_mm.shape
    out = np.zeros((rows - 1, columns - 1, AZIMUTHS), np.float32)
    steps, least = int(HORIZON_MM / cell_mm), wall_mm.min()
    for i in range(rows - 1):
        for j in range(columns - 1):
            own = 0.25 * (
                wall_mm[i, j] + wall_mm[i, j + 1] + wall_mm[i + 1, j] + wall_mm[i + 1, j + 1]
            )
            for k in range(AZIMUTHS):
                along = math.cos(2.0 * math.pi * k / AZIMUTHS)
                up = math.sin(2.0 * math.pi * k / AZIMUTHS)
                most = 0.0
                for n in range(steps):
                    far = 1.5 + n
                    if own - least <= most * far * cell_mm:  # nothing farther rises steeper
                        break
                    a = round(i + 0.5 + far * up)
                    b = round(j + 0.5 + far * along)
                    if a < 0 or b < 0 or a >= rows or b >= columns:
                        break
                    most = max(most, (own - wall_mm[a, b]) / (far * cell_mm))
                out[i, j, k] = most
    return out


@numba.njit(fastmath=True, cache=True)  # type: ignore[untyped-decorator]
def _add_rows(out: Any, upper: Any, lower: Any, weights: Any, turns: Any) -> None:
    # Two nodes of the table, linear between; two products when seen whole, one when in part.
    low, high, along, aside, seen = weights
    if seen == 0.0:
        for line in range(out.shape[1]):
            real = along * (low * upper[0, line] + high * lower[0, line])
            imag = along * (low * upper[1, line] + high * lower[1, line])
            real += aside * (low * upper[2, line] + high * lower[2, line])
            imag += aside * (low * upper[3, line] + high * lower[3, line])
            out[0, line] += turns[0, line] * real - turns[1, line] * imag
            out[1, line] += turns[0, line] * imag + turns[1, line] * real
    else:
        for line in range(out.shape[1]):
            real = seen * (low * upper[4, line] + high * lower[4, line])
            imag = seen * (low * upper[5, line] + high * lower[5, line])
            out[0, line] += turns[0, line] * real - turns[1, line] * imag
            out[1, line] += turns[0, line] * imag + turns[1, line] * real


@numba.njit(fastmath=True, cache=True)  # type: ignore[untyped-decorator]
def _turn(turns: Any, back: Any, wavenumber: Any) -> None:
    # exp(−ik back) at every line, each from the one before.
    real, imag = math.cos(wavenumber[0] * back), -math.sin(wavenumber[0] * back)
    step_real, step_imag = math.cos(wavenumber[1] * back), -math.sin(wavenumber[1] * back)
    for line in range(turns.shape[1]):
        turns[0, line], turns[1, line] = real, imag
        real, imag = real * step_real - imag * step_imag, real * step_imag + imag * step_real


@numba.njit(fastmath=True, cache=True)  # type: ignore[untyped-decorator]
def _seen(facet: Any, horizon: Any, rise: Any, points: Any) -> Any:
    # (Share of the element that sees the facet)² × mean obliquity over that share; ``rise`` times
    # the horizon may hide it, none if that is 0.
    x, y, depth, slope_x, slope_y, _ = facet
    seen, cosine, count = 0, 0.0, points.shape[0]
    for n in range(count):
        off_x, off_y = x - points[n, 0], y - points[n, 1]
        facing = depth - slope_x * off_x - slope_y * off_y
        if facing <= 0.0:
            continue
        flat = math.sqrt(off_x**2 + off_y**2)
        if rise > 0.0:
            towards = round(math.atan2(-off_y, -off_x) * AZIMUTHS / (2.0 * math.pi))
            if rise * horizon[towards % AZIMUTHS] * flat > depth:
                continue
        seen += 1
        cosine += facing / math.sqrt(depth**2 + flat**2)
    return seen * cosine / count**2


@numba.njit(fastmath=True, cache=True)  # type: ignore[untyped-decorator]
def _add_facet(out: Any, facet: Any, look: Any, tools: Any) -> None:
    # The phase is the facet's own; the table is linear in depth, nearest in radius.
    x, y, depth, slope_x, slope_y, area = facet
    horizon, order, most, radius = look
    table, grid, points, turns = tools
    rho_step, first_depth, depth_step, wavenumber = grid
    rho = math.sqrt(x**2 + y**2)
    lean = (rho + radius) / depth
    along, aside, seen = area, 0.0, 0.0
    if max(math.sqrt(slope_x**2 + slope_y**2), most) * lean < 1.0:
        aside = -area * (slope_x * x + slope_y * y) / max(rho, 1e-12)
    else:
        seen = area * _seen(facet, horizon, order * (most * lean >= 1.0), points)
        if seen == 0.0:
            return
    j = min(round(rho / rho_step), table.shape[1] - 1)
    u = (depth - first_depth) / depth_step
    i = min(max(int(u), 0), table.shape[0] - 2)
    _turn(turns, 2.0 * math.sqrt(depth**2 + rho**2), wavenumber)
    _add_rows(out, table[i, j], table[i + 1, j], (1.0 - (u - i), u - i, along, aside, seen), turns)


@numba.njit(cache=True)  # type: ignore[untyped-decorator]
def _add_cell(out: Any, cell: Any, edges: Any, look: Any, tools: Any) -> None:
    # One cell in pieces; ``cell`` is its corner's place, side and weight, ``edges`` four depths.
    x0, y0, side, weight = cell
    z00, z01, z10, z11 = edges
    steep_x = max(abs(z01 - z00), abs(z11 - z10))
    steep_y = max(abs(z10 - z00), abs(z11 - z01))
    across = min(1 + int(steep_x / PIECE_MM), MOST_PIECES)
    along = min(1 + int(steep_y / PIECE_MM), MOST_PIECES)
    area = weight * side**2 / (across * along)
    for a in range(along):
        v = (a + 0.5) / along
        for b in range(across):
            u = (b + 0.5) / across
            slope_x = ((1.0 - v) * (z01 - z00) + v * (z11 - z10)) / side
            slope_y = ((1.0 - u) * (z10 - z00) + u * (z11 - z01)) / side
            depth = (1.0 - v) * ((1.0 - u) * z00 + u * z01) + v * ((1.0 - u) * z10 + u * z11)
            x, y = x0 + u * side, y0 + v * side
            _add_facet(out, (x, y, depth, slope_x, slope_y, area), look, tools)


@numba.njit(cache=True)  # type: ignore[untyped-decorator]
def facet_sum(
    wall_mm: Any, horizon: Any, steepest: Any, geometry: Any, place_mm: Any, tools: Any
) -> Any:
    """Return ∫ H × (its derivative along the facet's normal) dA at one place, (lines,), in mm⁴.

    Parameters
    ----------
    wall_mm, horizon, steepest : ndarray
        The ground at nodes, `horizons` of its cells, and the greatest of each cell.
    geometry : tuple of float
        cell_mm, x0_mm, y0_mm of the ground; reach_mm, lift_mm, order, radius_mm of the element.
        Depths are lift + order × wall. Facets beyond 0.7 reach fade out.
    place_mm : tuple of float
        x and y of the element's axis.
    tools : tuple
        The two-way table, its grid, the element's points, and room for the turns of one facet.
    """
    side, x0, y0, reach, lift, order, radius = geometry
    out = np.zeros((2, tools[3].shape[1]))
    middle_i, middle_j = int((place_mm[1] - y0) / side), int((place_mm[0] - x0) / side)
    half = int(reach / side) + 1
    for i in range(max(middle_i - half, 0), min(middle_i + half + 1, wall_mm.shape[0] - 1)):
        for j in range(max(middle_j - half, 0), min(middle_j + half + 1, wall_mm.shape[1] - 1)):
            x, y = x0 + j * side - place_mm[0], y0 + i * side - place_mm[1]
            far = math.sqrt((x + 0.5 * side) ** 2 + (y + 0.5 * side) ** 2) / reach
            if far >= 1.0:
                continue
            weight = 1.0
            if far > 0.7:
                weight = 0.5 + 0.5 * math.cos(math.pi * (far - 0.7) / 0.3)
            edges = (
                lift + order * wall_mm[i, j],
                lift + order * wall_mm[i, j + 1],
                lift + order * wall_mm[i + 1, j],
                lift + order * wall_mm[i + 1, j + 1],
            )
            look = (horizon[i, j], order, order * steepest[i, j], radius)
            _add_cell(out, (x, y, side, weight), edges, look, tools)
    return out[0] + 1j * out[1]
