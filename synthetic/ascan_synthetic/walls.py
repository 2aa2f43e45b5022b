"""Walls with corrosion: a map of remaining thickness, seeded."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan_synthetic.pulse import FloatArray


@dataclass(frozen=True, eq=False, slots=True)
class Raster:
    """Positions of a raster, row by row, and the thickness under each; all of shape (n,)."""

    x_mm: FloatArray
    y_mm: FloatArray
    thickness_mm: FloatArray


def corroded_raster(
    columns: int,
    rows: int,
    pitch_mm: float,
    nominal_mm: float,
    deepest_mm: float,
    pits: int,
    rng: np.random.Generator,
) -> Raster:
    """Return a raster over a wall whose back is pitted.

    General loss of up to a tenth of the deepest pit waves slowly across the plate; on it lie pits
    of Gaussian profile, one of them of the full depth ``deepest_mm`` below nominal.
    """
    x, y = (axis.ravel() for axis in np.meshgrid(np.arange(columns), np.arange(rows)))
    x_mm = np.asarray(x * pitch_mm, np.float64)
    y_mm = np.asarray(y * pitch_mm, np.float64)
    width, height = columns * pitch_mm, rows * pitch_mm
    loss = 0.05 * deepest_mm * (1.0 + np.sin(2.0 * np.pi * (x_mm / width + 0.5 * y_mm / height)))
    depth = rng.uniform(0.15, 0.6, pits) * deepest_mm
    depth[0] = deepest_mm
    for one in depth:
        centre_x, centre_y = rng.uniform(0.15, 0.85, 2) * (width, height)
        radius = rng.uniform(3.0, 6.0) * pitch_mm
        square = (x_mm - centre_x) ** 2 + (y_mm - centre_y) ** 2
        loss = np.maximum(loss, one * np.exp(-square / (2.0 * radius**2)))
    return Raster(x_mm, y_mm, nominal_mm - loss)
