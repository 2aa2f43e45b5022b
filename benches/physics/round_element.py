"""The field of a round element in a half-space, at points of a (radius, depth) grid.

The element moves as a piston in a rigid baffle. Its potential at a point for an impulse of
velocity is c × Ω(t)/π: the share of the circle of points at distance ct that lies on the element
(Stepanishen 1971, J. Acoust. Soc. Am. 49, 1629-1638, from memory). Over the circle's radius σ, with
R² = z² + σ², its spectrum is

    H = ∫ (Ω/π) exp(−ikR) σ dσ / R

and −(1/ik) times its gradient has parts along depth and along the radius, the second from the mean
place σ sin Ω / Ω of the arc: the obliquity of every point of the element, not of an axis ray.
"""

from __future__ import annotations

import math
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
NODES = 64


@numba.njit(cache=True)  # type: ignore[untyped-decorator]
def _add_arc(out: Any, weights: Any, distance: Any, wavenumber: Any) -> None:
    # One circle's part at every wavenumber (first, step): three weights, exp(−ikR).
    turn = np.exp(-1j * wavenumber[0] * distance)
    step = np.exp(-1j * wavenumber[1] * distance)
    for line in range(out.shape[0]):
        k = wavenumber[0] + line * wavenumber[1]
        near = 1.0 + 1.0 / (1j * k * distance)
        out[line, 0] += weights[0] * turn
        out[line, 1] += weights[1] * turn * near
        out[line, 2] += weights[2] * turn * near
        turn *= step


@numba.njit(cache=True)  # type: ignore[untyped-decorator]
def _field(rho: Any, depth: Any, radius: Any, wavenumber: Any, out: Any) -> None:
    # Circles wholly on the element have a closed form; the rest by the midpoint rule in an angle
    # that takes the square-root ends away.
    if rho < radius:
        rim = math.sqrt(depth**2 + (radius - rho) ** 2)
        for line in range(out.shape[0]):
            k = wavenumber[0] + line * wavenumber[1]
            first, last = np.exp(-1j * k * depth), np.exp(-1j * k * rim)
            out[line, 0] += (first - last) / (1j * k)
            out[line, 1] += (first - depth / rim * last) / (1j * k)
    if rho == 0.0:
        return
    half, middle = min(rho, radius), max(rho, radius)
    weights = np.zeros(3)
    for node in range(NODES):
        angle = math.pi * (node + 0.5) / NODES
        sigma = middle - half * math.cos(angle)
        inside = (rho**2 + sigma**2 - radius**2) / (2.0 * rho * sigma)
        share = math.acos(min(max(inside, -1.0), 1.0))
        distance = math.sqrt(depth**2 + sigma**2)
        area = half * math.sin(angle) * math.pi / NODES * sigma / distance / math.pi
        weights[0] = area * share
        weights[1] = area * share * depth / distance
        weights[2] = area * math.sin(share) * sigma / distance
        _add_arc(out, weights, distance, wavenumber)


@numba.njit(cache=True)  # type: ignore[untyped-decorator]
def field(
    rho_mm: Floats, depth_mm: Floats, radius_mm: float, wavenumber: Floats, lines: int
) -> Complexes:
    """Return H, its obliquity-weighted part along depth and that along the radius.

    Parameters
    ----------
    rho_mm, depth_mm : ndarray, shapes (r,) and (d,)
        Distance from the axis and from the element's plane.
    radius_mm : float
        Of the element.
    wavenumber : ndarray, shape (2,)
        First and step, in rad/mm.
    lines : int
        How many.

    Returns
    -------
    ndarray of complex, shape (d, r, lines, 3)
        In mm; a plane wave under the element has H = exp(−ikz) / ik.
    """
    out = np.zeros((depth_mm.size, rho_mm.size, lines, 3), np.complex128)
    for i in range(depth_mm.size):
        for j in range(rho_mm.size):
            _field(rho_mm[j], depth_mm[i], radius_mm, wavenumber, out[i, j])
    return out


@numba.njit(cache=True)  # type: ignore[untyped-decorator]
def two_way(
    rho_mm: Floats, depth_mm: Floats, radius_mm: float, wavenumber: Floats, lines: int
) -> NDArray[np.float32]:
    """Return out-and-back products of the field, shape (d, r, 6, lines), turned back in phase.

    H × its part along depth, H × its part along the radius, and H², each as real and imaginary
    part, each times exp(+2ik √(z² + ρ²)): so that they vary slowly between nodes.
    """
    out = np.zeros((depth_mm.size, rho_mm.size, 6, lines), np.float32)
    held = np.zeros((lines, 3), np.complex128)
    for i in range(depth_mm.size):
        for j in range(rho_mm.size):
            held[:] = 0.0
            _field(rho_mm[j], depth_mm[i], radius_mm, wavenumber, held)
            back = 2.0 * math.sqrt(rho_mm[j] ** 2 + depth_mm[i] ** 2)
            for line in range(lines):
                turn = np.exp(1j * (wavenumber[0] + line * wavenumber[1]) * back) * held[line, 0]
                for part in range(3):
                    product = turn * held[line, (part + 1) % 3]
                    out[i, j, 2 * part, line] = product.real
                    out[i, j, 2 * part + 1, line] = product.imag
    return out


def points(radius_mm: float, count: int) -> Floats:
    """Return points of equal area over the element, shape (count, 2): a sunflower's spiral."""
    number = np.arange(count) + 0.5
    out, turn = radius_mm * np.sqrt(number / count), number * math.pi * (3.0 - math.sqrt(5.0))
    return np.stack([out * np.cos(turn), out * np.sin(turn)], axis=1)
