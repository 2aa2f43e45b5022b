"""The least wall to be expected on ground that nobody looked at: extreme values of block minima.

The surface is cut into blocks of one size; the least wall of each is a value. Whatever the walls
follow, minima of many nearly follow a generalised extreme-value distribution, which is fitted by
maximum likelihood and carried on to as many blocks as the whole component has. It extrapolates: it
holds for ground that corrodes as the scanned ground does, and for no other.

References
----------
S. Coles 2001, An Introduction to Statistical Modeling of Extreme Values, Springer, chapters 2 and 3
(from memory): distribution, return level z with G(z) = 1 - 1/m, profile likelihood. Minima are the
negated maxima of the negated values.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from ascan.base.errors import fault
from ascan.kernels.arrays import BoolArray, FloatArray

# Half of the chi-square quantile of 95 % on one degree of freedom.
HALF_CHI2 = 1.9207
# A shape so near to 0 is that of a Gumbel distribution; beyond these a fit by likelihood fails.
SMALL_SHAPE, MOST_SHAPE = 1e-6, 1.0
# Of what no distribution of these values can be, in place of an infinite one: a search subtracts.
HOPELESS = 1e12
# Nodes that carry the readings' own noise through the distribution.
NODES = 21


class Gev(NamedTuple):
    """Location and scale in mm of what was fitted (negated walls), and shape."""

    location: float
    scale: float
    shape: float


@dataclass(frozen=True, eq=False)
class ExtremeFit:
    """A generalised extreme-value distribution of block maxima.

    Attributes
    ----------
    values : ndarray, shape (n,)
        Block maxima.
    u : ndarray, shape (n,)
        Standard uncertainty of each by noise; the distribution is that without it.
    best : Gev
    likelihood : float
        Logarithm, at its greatest.
    """

    values: FloatArray
    u: FloatArray
    best: Gev
    likelihood: float

    @cached_property
    def covariance(self) -> FloatArray:
        """Of location, scale and shape: the inverse of the curvature of the likelihood."""
        at = np.array(self.best)
        step = np.array([1e-3 * self.best.scale, 1e-3 * self.best.scale, 1e-3])
        size = at.size
        curve = np.empty((size, size))
        for j in range(size):
            for k in range(size):
                total = 0.0
                for a in (-1.0, 1.0):
                    for b in (-1.0, 1.0):
                        there = at.copy()
                        there[j] += a * step[j]
                        there[k] += b * step[k]
                        total += a * b * negative_log(there, self.values, self.u)
                curve[j, k] = total / (4.0 * step[j] * step[k])
        return np.asarray(np.linalg.inv(curve))

    def return_level(self, blocks: float) -> float:
        """Return what the largest of so many blocks exceeds once on average."""
        return level_of(self.best, blocks)

    def interval(self, blocks: float) -> tuple[float, float]:
        """Return the 95 % interval of a return level, by profile likelihood."""
        from scipy.optimize import brentq, minimize

        centre = self.return_level(blocks)

        def profile(level: float) -> float:
            def loss(rest: FloatArray) -> float:
                scale, shape = float(np.exp(rest[0])), float(rest[1])
                location = level - (level_of(Gev(0.0, scale, shape), blocks))
                return negative_log(np.array([location, scale, shape]), self.values, self.u)

            start = np.array([np.log(self.best.scale), self.best.shape])
            found = minimize(loss, start, method="Nelder-Mead", options={"xatol": 1e-5})
            return float(found.fun) + self.likelihood - HALF_CHI2

        ends = []
        for way in (-1.0, 1.0):
            reach = 0.25 * self.best.scale
            while profile(centre + way * reach) < 0.0 and reach < 1e3 * self.best.scale:
                reach *= 2.0
            inner, outer = centre + 0.5 * way * reach, centre + way * reach
            if profile(inner) > 0.0:
                inner = centre
            ends.append(float(brentq(profile, inner, outer, xtol=1e-4 * self.best.scale)))
        return ends[0], ends[1]


def level_of(how: Gev, blocks: float) -> float:
    """Return the level that one block in so many exceeds.

    Examples
    --------
    >>> round(level_of(Gev(3.87, 0.198, -0.05), 10.0), 2)
    4.29
    """
    y = -np.log1p(-1.0 / blocks)
    if abs(how.shape) < SMALL_SHAPE:
        return float(how.location - how.scale * np.log(y))
    return float(how.location + how.scale / how.shape * (y**-how.shape - 1.0))


def negative_log(how: FloatArray, values: FloatArray, u: FloatArray) -> float:
    """Return the negative log likelihood of block maxima, their noise carried through."""
    location, scale, shape = (float(each) for each in how)
    if not scale > 0.0 or abs(shape) > MOST_SHAPE:
        return HOPELESS
    if not u.any():
        with np.errstate(divide="ignore"):
            total = -float(np.sum(np.log(_density((values - location) / scale, scale, shape))))
        return total if np.isfinite(total) else HOPELESS
    nodes, weights = np.polynomial.hermite.hermgauss(NODES)
    shifted = values[:, None] - np.sqrt(2.0) * u[:, None] * nodes
    each = _density((shifted - location) / scale, scale, shape) @ (weights / np.sqrt(np.pi))
    with np.errstate(divide="ignore"):
        total = -float(np.sum(np.log(each)))
    return total if np.isfinite(total) else HOPELESS


def _density(z: FloatArray, scale: float, shape: float) -> FloatArray:
    """Return the density at standardised places; 0 outside the support."""
    log_t, inside = log_tail(z, shape)
    log_density = (1.0 + shape) * log_t - np.exp(np.minimum(log_t, 700.0)) - np.log(scale)
    return np.where(inside, np.exp(np.clip(log_density, -745.0, 700.0)), 0.0)


def log_tail(z: FloatArray, shape: float) -> tuple[FloatArray, BoolArray]:
    """Return log(-log G) at standardised places, and whether they are inside the support."""
    if abs(shape) < SMALL_SHAPE:
        return -z, np.ones(z.shape, np.bool_)
    held = 1.0 + shape * z
    return -np.log(np.maximum(held, 1e-300)) / shape, held > 0.0


def fit_maxima(
    values: FloatArray, u: FloatArray | None = None, *, gumbel: bool = False
) -> ExtremeFit:
    """Fit block maxima by maximum likelihood.

    Parameters
    ----------
    values : ndarray, shape (n,)
    u : ndarray, shape (n,), optional
        Standard uncertainty of each by noise.
    gumbel : bool
        Whether the shape is held at 0.
    """
    from scipy.optimize import minimize

    noise = np.zeros(values.size) if u is None else np.asarray(u, np.float64)
    scale = float(np.sqrt(6.0) * values.std() / np.pi)
    if not scale > 0.0:
        raise fault("extremes", "are all alike", remedy="nothing can be carried on from them")
    start = [float(values.mean()) - 0.5772 * scale, np.log(scale)]

    def loss(at: FloatArray) -> float:
        shape = 0.0 if gumbel else float(at[2])
        return negative_log(np.array([at[0], np.exp(at[1]), shape]), values, noise)

    tries: list[FloatArray] = [np.array(start if gumbel else [*start, s]) for s in (-0.1, 0.1)]
    options = {"xatol": 1e-7, "fatol": 1e-9, "maxiter": 4000, "maxfev": 4000}
    ends = [minimize(loss, each, method="Nelder-Mead", options=options) for each in tries]
    found = ends[int(np.argmin([float(end.fun) for end in ends]))]
    shape = 0.0 if gumbel else float(found.x[2])
    best = Gev(float(found.x[0]), float(np.exp(found.x[1])), shape)
    return ExtremeFit(values, noise, best, -float(found.fun))
