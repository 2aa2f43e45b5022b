"""What fills a plane grid: solids and fluids in layers, films thinner than a cell, empty space.

Depth z grows downwards. What has no density is empty, so that every edge of a solid is free.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Flags = NDArray[np.bool_]
# Share of the largest stable step.
COURANT = 0.95
# Keeps a division from nothing.
SOFT = 1e-9


class Medium(NamedTuple):
    """A solid, or a fluid where the transverse velocity is 0.

    The losses are in Np/µs and the same at every frequency: ``loss`` takes from everything that
    moves, ``shear_loss`` only from what changes shape. They make a Maxwell body's decay (from
    memory); what grows with frequency is left to the pulse.
    """

    longitudinal_mm_per_us: float
    transverse_mm_per_us: float
    density_g_per_cm3: float
    loss: float = 0.0
    shear_loss: float = 0.0


@dataclass(frozen=True, eq=False, slots=True)
class Grid:
    """Where the cells are, and how far the waves of a step may run.

    Attributes
    ----------
    cell_mm : float
    x_mm, z_mm : ndarray, shapes (wide,) and (high,)
        Middles of the columns, upper faces of the rows.
    fastest_mm_per_us : float
        Of all media on it.
    sponge_mm, sponge : float
        How wide a strip at either side absorbs, 0 for none; what it takes in a step at its outer
        edge, in Np.
    """

    cell_mm: float
    x_mm: Floats
    z_mm: Floats
    fastest_mm_per_us: float
    sponge_mm: float = 0.0
    sponge: float = 0.06

    @property
    def step_us(self) -> float:
        """Time step: a share of the cell over √2 times the fastest wave (Virieux 1986)."""
        return COURANT * self.cell_mm / (self.fastest_mm_per_us * math.sqrt(2.0))

    @property
    def ratio(self) -> float:
        """Time step over cell, in µs/mm."""
        return self.step_us / self.cell_mm


class Cells(NamedTuple):
    """What fills the cells, shape (high, wide): see `layers`.

    ``stiff`` is λ + 2 µ and ``shear`` µ, in GPa; ``dense`` in g/cm³; the losses as in `Medium`.
    """

    stiff: Floats
    shear: Floats
    dense: Floats
    loss: Floats
    shear_loss: Floats


def shares(grid: Grid, edges_mm: Sequence[Floats | float]) -> list[Floats]:
    """Return which share of each cell lies between an edge and the next, shape (high, wide)."""
    upper, cell = grid.z_mm[:, None], grid.cell_mm
    tall = []
    for top, bottom in pairwise(edges_mm):
        overlap = np.minimum(bottom, upper + cell) - np.maximum(top, upper)
        tall.append(np.clip(overlap, 0.0, cell) / cell + np.zeros(grid.x_mm.size))
    return tall


def layers(grid: Grid, edges_mm: Sequence[Floats | float], media: Sequence[Medium]) -> Cells:
    """Return cells of layers, one below the other.

    A cell that two media share has the mean of their densities and of their compliances (Backus
    1962, J. Geophys. Res. 67, 4427-4440, for waves across the layers, from memory): so a film may
    be thinner than a cell. What is left of a cell at the lowest, free edge has mass and no
    stiffness: a thin sheet on a free face follows it, and what it shifts an echo by differs from
    its thickness f by a third of f (k f)², k the wave number (expansion of atan(k f) / k, own). The
    node above takes half of its density, so that this is doubled. The uppermost edge lies between
    cells.

    Parameters
    ----------
    grid : Grid
    edges_mm : depths of the layers' edges, one more than media, each shape (wide,) or one number
    media : sequence of Medium
    """
    tall = shares(grid, edges_mm)
    full = np.sum(tall, axis=0) > 1.0 - 1e-6
    sums = np.zeros((5, *full.shape))
    for share, medium in zip(tall, media, strict=True):
        fast, slow, dense, loss, shear_loss = medium
        parts = (1.0 / (dense * fast**2), 1.0 / max(dense * slow**2, SOFT), dense, loss, shear_loss)
        sums += share * np.asarray(parts)[:, None, None]
    stiff = np.where(full, 1.0 / np.maximum(sums[0], SOFT), 0.0)
    shear = np.where(full & (sums[1] < 1e-3 / SOFT), 1.0 / np.maximum(sums[1], SOFT), 0.0)
    return Cells(stiff, shear, np.where(full, sums[2], 2.0 * sums[2]), sums[3], sums[4])


def side_by_side(there: Flags, cells: Cells, elsewhere: Cells) -> Cells:
    """Return the one kind of cells in the columns ``there``, shape (wide,), the other elsewhere."""
    return Cells(*(np.where(there, *each) for each in zip(cells, elsewhere, strict=True)))
