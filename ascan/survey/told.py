"""Thicknesses of places, as any figure of a surface needs them: value, noise, what they share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.kernels.arrays import FloatArray
from ascan.results.sources import Shared, combined, pairs

# In standard uncertainties, of a normal distribution: half of the 95 % interval; a bound that holds
# at 95 %, one-sided.
NORMAL, ONE_SIDED = 1.96, 1.6449


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Told:
    """Thicknesses of n places; NaN where there is none.

    Attributes
    ----------
    thickness_mm, u_random_mm : ndarray, shape (n,)
        Value, and the part of its standard uncertainty that differs from one to the next.
    shared : mapping of Source to ndarray, shape (n,)
        What they share an error of.
    random_freedom : ndarray, shape (n,), optional
        Degrees of freedom of ``u_random_mm``; 0 and None: it counts as exactly known.
    """

    thickness_mm: FloatArray
    u_random_mm: FloatArray
    shared: Shared
    random_freedom: FloatArray | None = None

    @property
    def u_mm(self) -> FloatArray:
        """Combined standard uncertainty, shape (n,)."""
        return combined([self.u_random_mm, *self.shared.values()])


def covariance_mm2(first: Told, second: Told) -> FloatArray:
    """Return the covariance of two sets of thicknesses of the same places, by what both share."""
    found = sum((a * b for a, b in pairs(first.shared, second.shared)), np.zeros(1))
    return np.asarray(found + 0.0 * first.thickness_mm)


def difference_inverse_freedom(first: Told, second: Told, u_mm: FloatArray) -> FloatArray:
    """Return 1 / ν of a difference of two sets of thicknesses, shape (n,).

    One calibration gives both sets one estimate of repeatability; two give two.

    References
    ----------
    Welch and Satterthwaite: JCGM 100:2008 G.4.1, equation (G.2b).
    """
    parts: list[tuple[FloatArray, FloatArray]] = []
    randoms = [(one.u_random_mm, one.random_freedom) for one in (first, second)]
    if _one_calibration(first, second):
        both = np.hypot(first.u_random_mm, second.u_random_mm)
        parts.append((both, _least_freedom(first.random_freedom, second.random_freedom)))
    else:
        parts += [(u, freedom) for u, freedom in randoms if freedom is not None]
    for source in {**first.shared, **second.shared}:
        if source.freedom > 0.0:
            follows = [one.shared.get(source, np.zeros(1)) for one in (first, second)]
            apart = follows[0] - follows[1] if source.of else np.hypot(*follows)
            parts.append((apart, np.array([source.freedom])))
    share = np.zeros_like(u_mm)
    with np.errstate(divide="ignore", invalid="ignore"):
        for u, freedom in parts:
            share = share + np.where(freedom > 0.0, u**4 / freedom, 0.0)
        return np.asarray(np.clip(share / u_mm**4, 0.0, 1.0))


def _one_calibration(first: Told, second: Told) -> bool:
    both = first.shared.keys() & second.shared.keys()
    return any(source.of.startswith("calibration ") for source in both)


def _least_freedom(first: FloatArray | None, second: FloatArray | None) -> FloatArray:
    """Return the smaller of two degrees of freedom where both are few; 0 is exactly known."""
    given = [np.where(one > 0.0, one, np.inf) for one in (first, second) if one is not None]
    least = np.minimum.reduce(given) if given else np.full(1, np.inf)
    return np.where(np.isfinite(least), least, 0.0)
