"""The ground below a limit: what noise adds to the readings is taken off again, never added twice.

Readings scatter about the walls by their noise, so that ground near a limit seems to spread over
it: more of it reads below than lies there. What walls there are near the limit is found from the
readings by undoing their noise; each reading then counts as far as walls like it lie below.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ascan.kernels.arrays import FloatArray
from ascan.survey.told import NORMAL

# Walls are sought so many noises either side of the limit, so many to each noise, in so few turns
# that they stay smooth.
REACH, PER_NOISE, TURNS = 10.0, 4, 10
# So much of what is taken off again is uncertain: how walls are spread near the limit, readings
# tell only through their noise (own study, `benches/survey_statistics.py`).
OPEN = 0.6
# Surfaces are drawn anew so often, from one seed: a record that is read again gives the same.
DRAWS, SEED = 60, 1
# The common error is integrated over in so many places.
NODES = np.linspace(-4.0, 4.0, 33)
WEIGHTS = np.exp(-0.5 * NODES**2) / np.exp(-0.5 * NODES**2).sum()
# Bins of walls and of readings about the limit, in noises; how likely a reading of each wall is.
EDGES = np.linspace(-REACH, REACH, int(2 * REACH * PER_NOISE) + 1)
MIDDLES = 0.5 * (EDGES[1:] + EDGES[:-1])
LIKELY = np.exp(-0.5 * (MIDDLES[:, None] - MIDDLES) ** 2) + 1e-300
NOISE = (LIKELY / LIKELY.sum(axis=0)).T


@dataclass(frozen=True, slots=True, kw_only=True)
class Below:
    """The ground thinner than a limit.

    Attributes
    ----------
    limit_mm : float
    cells : int
        Whose least reading is below it.
    area_mm2, share : float
        Area of those cells, and its share of the cells that were read.
    expected_mm2, u_mm2 : float
        Area of the walls below it, the readings' noise taken off, and its standard uncertainty.
    from_mm2, to_mm2 : float
        Its 95 % interval.
    most_mm2 : float
        The area that reads below if every planned cell without a reading were below it, too.
    """

    limit_mm: float
    cells: int
    area_mm2: float
    share: float
    expected_mm2: float
    u_mm2: float
    from_mm2: float
    to_mm2: float
    most_mm2: float


def nothing_below(limit_mm: float, ground_mm2: float) -> Below:
    """Return what can be said where nothing was read: all of the ground may be below."""
    unknown = np.nan
    return Below(
        limit_mm=limit_mm, cells=0, area_mm2=0.0, share=unknown, expected_mm2=unknown,
        u_mm2=unknown, from_mm2=0.0, to_mm2=ground_mm2, most_mm2=ground_mm2,
    )  # fmt: skip


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Ground:
    """Cells that were read, every array of shape (n,).

    Attributes
    ----------
    thickness_mm, u_random_mm, u_common_mm, area_mm2 : ndarray
        Least reading of each, the two parts of its u, its area.
    unread_mm2 : float
        Area of the cells without a thickness.
    """

    thickness_mm: FloatArray
    u_random_mm: FloatArray
    u_common_mm: FloatArray
    area_mm2: FloatArray
    unread_mm2: float = 0.0

    def below(self, limit_mm: float) -> Below:
        """Return the ground below a limit.

        Refused cells are unknown: they are in ``most_mm2`` alone.

        References
        ----------
        Walls by maximum likelihood without a form (Kiefer and Wolfowitz 1956), by expectation and
        maximisation (Laird 1978); the interval by surfaces drawn from what was found, read with
        noise again and reckoned again (parametric bootstrap). All from memory.
        """
        reads_below = self.thickness_mm < limit_mm
        area_mm2, whole_mm2 = float(self.area_mm2[reads_below].sum()), float(self.area_mm2.sum())
        noise = float(np.median(self.u_random_mm))
        common = float(np.mean(self.u_common_mm))
        near_mm2, certain_mm2 = self._counted(limit_mm, noise)
        errors_mm2 = _errors(near_mm2, float(self.area_mm2.mean()))
        # What all readings share moves the limit for all of them.
        moved = np.array([self._expected(limit_mm + z * common, noise) for z in NODES])
        by_common = math.sqrt(max(WEIGHTS @ moved**2 - (WEIGHTS @ moved) ** 2, 0.0))
        expected = certain_mm2 + _below(near_mm2) - float(errors_mm2.mean())
        best = min(max(expected, 0.0), whole_mm2)
        taken_off = OPEN * (area_mm2 - best)
        u = math.hypot(errors_mm2.std(ddof=1), by_common, taken_off)
        return Below(
            limit_mm=limit_mm,
            cells=int(reads_below.sum()),
            area_mm2=area_mm2,
            share=area_mm2 / whole_mm2,
            expected_mm2=best,
            u_mm2=u,
            from_mm2=max(best - NORMAL * u, 0.0),
            to_mm2=min(best + NORMAL * u, whole_mm2),
            most_mm2=area_mm2 + self.unread_mm2,
        )

    def _expected(self, limit_mm: float, noise_mm: float) -> float:
        near_mm2, certain_mm2 = self._counted(limit_mm, noise_mm)
        return certain_mm2 + _below(near_mm2)

    def _counted(self, limit_mm: float, noise_mm: float) -> tuple[FloatArray, float]:
        """Return the area that reads in each bin near a limit, and what lies further below."""
        off = (self.thickness_mm - limit_mm) / max(noise_mm, 1e-9)
        near = np.abs(off) < REACH
        near_mm2 = np.histogram(off[near], EDGES, weights=self.area_mm2[near])[0]
        return near_mm2, float(self.area_mm2[~near & (off < 0.0)].sum())


def walls_near(read_mm2: FloatArray) -> FloatArray:
    """Return which share of the ground has a wall of each bin, from what reads in each."""
    share = np.full(MIDDLES.size, 1.0 / MIDDLES.size)
    total = max(float(read_mm2.sum()), 1e-300)
    for _ in range(TURNS):
        share = share * (LIKELY.T @ (read_mm2 / np.maximum(LIKELY @ share, 1e-300))) / total
    return share


def _walls_of_reading(read_mm2: FloatArray) -> FloatArray:
    """Return how likely each wall is behind a reading of each bin, shape (readings, walls)."""
    weight = LIKELY * walls_near(read_mm2)
    return np.asarray(weight / np.maximum(weight.sum(axis=1, keepdims=True), 1e-300))


def _below(read_mm2: FloatArray) -> float:
    """Return the area of walls below the limit."""
    return float(read_mm2 @ _walls_of_reading(read_mm2)[:, MIDDLES < 0.0].sum(axis=1))


def _errors(read_mm2: FloatArray, cell_mm2: float) -> FloatArray:
    """Return by how much the area is off on surfaces like this one, shape (`DRAWS`,)."""
    rng = np.random.default_rng(SEED)
    cells = np.rint(read_mm2 / cell_mm2).astype(np.int64)
    likely = _walls_of_reading(read_mm2)
    out = np.zeros(DRAWS)
    for k in range(DRAWS if cells.any() else 0):
        walls = rng.multinomial(cells, likely / likely.sum(axis=1, keepdims=True)).sum(axis=0)
        read = rng.multinomial(walls, NOISE).sum(axis=0)
        out[k] = cell_mm2 * (_below(read.astype(np.float64)) - walls[MIDDLES < 0.0].sum())
    return out
