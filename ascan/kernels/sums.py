"""Sums of products, many at a time."""

from __future__ import annotations

import numpy as np

from ascan.kernels.arrays import AnyArray
from ascan.kernels.jit import compiled_sums


@compiled_sums
def dot(one: AnyArray, other: AnyArray) -> float:
    """Return a sum of products, taken in the vectors' own type."""
    total = one.dtype.type(0.0)
    for j in range(one.size):
        total += one[j] * other[j]
    return np.float64(total)


@compiled_sums
def sum_of(samples: AnyArray) -> float:
    """Return the sum of a record's codes."""
    total = 0.0
    for j in range(samples.size):
        total += samples[j]
    return total
