"""How large a flaw must be to be found: hits and misses by size, and the size that is found."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.base.errors import AscanError, fault
from ascan.kernels.arrays import FloatArray, IntArray
from ascan.survey.told import ONE_SIDED

# Confidence, and the share that is to be found.
LEVEL, SHARE = 0.95, 0.9
TURNS, STANDS_STILL = 60, 1e-10


@dataclass(frozen=True, eq=False, slots=True)
class Logistic:
    """P = 1 / (1 + exp(−(intercept + slope x))).

    Attributes
    ----------
    intercept, slope : float
    covariance : ndarray, shape (2, 2)
    """

    intercept: float
    slope: float
    covariance: FloatArray

    def at(self, x: FloatArray) -> FloatArray:
        """Return the probability at places, any shape."""
        return np.asarray(1.0 / (1.0 + np.exp(-(self.intercept + self.slope * x))))

    def place_of(self, share: float) -> float:
        """Return where the probability is so much."""
        return (float(np.log(share / (1.0 - share))) - self.intercept) / self.slope

    def bound_of(self, share: float) -> float:
        """Return where the probability is so much at 95 % confidence: infinite if nowhere.

        References
        ----------
        Where the lower Wald band of the logit reaches it (MIL-HDBK-1823A calls the size at 90 % and
        95 % a90/95; from memory).
        """
        wanted = np.log(share / (1.0 - share))
        v0, v01, v1 = self.covariance[0, 0], self.covariance[0, 1], self.covariance[1, 1]
        # (b0 + b1 x − w)² = z² (v0 + 2 x v01 + x² v1): the larger root above the place itself.
        z2 = ONE_SIDED * ONE_SIDED
        a = self.slope**2 - z2 * v1
        b = 2.0 * (self.slope * (self.intercept - wanted) - z2 * v01)
        c = (self.intercept - wanted) ** 2 - z2 * v0
        if a <= 0.0:
            return float(np.inf)
        return float((-b + np.sqrt(max(b * b - 4.0 * a * c, 0.0))) / (2.0 * a))


def fit_logistic(x: FloatArray, hits: IntArray, tries: IntArray) -> Logistic:
    """Fit hits and misses by maximum likelihood (Newton, iteratively reweighted least squares).

    Raises
    ------
    AscanError
        Hits and misses do not overlap, or there are none of one of them: no slope fits.
    """
    missed, hit = x[hits < tries], x[hits > 0]
    if not (missed.size and hit.size and missed.max() > hit.min()):
        raise fault("hits", "do not overlap with misses", remedy="try sizes in between")
    design = np.stack([np.ones_like(x), x], axis=1)
    at = np.zeros(2)
    for _ in range(TURNS):
        share = 1.0 / (1.0 + np.exp(-np.clip(design @ at, -500.0, 500.0)))
        weight = np.maximum(tries * share * (1.0 - share), 1e-12)
        information = (design.T * weight) @ design
        step = np.linalg.solve(information, design.T @ (hits - tries * share))
        at = at + step
        if np.abs(step).max() < STANDS_STILL * max(np.abs(at).max(), 1.0):
            break
    return Logistic(float(at[0]), float(at[1]), np.linalg.inv(information))


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Found:
    """Hits by size.

    Attributes
    ----------
    size_mm : ndarray, shape (sizes,)
    hits, tries : ndarray of int, shape (sizes,)
    fit : Logistic, optional
        Over the log of size; None where hits and misses do not overlap.
    """

    size_mm: FloatArray
    hits: IntArray
    tries: IntArray
    fit: Logistic | None

    @property
    def size_90_95_mm(self) -> float:
        """Size that is found in 90 % at 95 % confidence; infinite where none of these is.

        Without a fit, the size from which on every one was found, of which so many were tried that
        fewer than 90 % would not have been all found in 95 % of trials (29 of 29).
        """
        if self.fit is not None:
            size = float(np.exp(self.fit.bound_of(SHARE)))
            return size if size <= self.size_mm.max() else float(np.inf)
        good = (self.hits == self.tries) & (SHARE**self.tries <= 1.0 - LEVEL)
        from_here = np.logical_and.accumulate(good[::-1])[::-1]
        return float(self.size_mm[from_here][0]) if from_here.any() else float(np.inf)


def found_by_size(size_mm: FloatArray, hits: IntArray, tries: IntArray) -> Found:
    """Return hits by size with their fit, where there is one."""
    try:
        fit = fit_logistic(np.log(size_mm), hits, tries)
    except AscanError:
        fit = None
    return Found(size_mm=size_mm, hits=hits, tries=tries, fit=fit)
