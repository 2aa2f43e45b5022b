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
    """

    thickness_mm: FloatArray
    u_random_mm: FloatArray
    shared: Shared

    @property
    def u_mm(self) -> FloatArray:
        """Combined standard uncertainty, shape (n,)."""
        return combined([self.u_random_mm, *self.shared.values()])


def covariance_mm2(first: Told, second: Told) -> FloatArray:
    """Return the covariance of two sets of thicknesses of the same places, by what both share."""
    found = sum((a * b for a, b in pairs(first.shared, second.shared)), np.zeros(1))
    return np.asarray(found + 0.0 * first.thickness_mm)
