"""From a standard uncertainty to the 95 % interval: t quantiles of effective degrees of freedom."""

from __future__ import annotations

import functools
from collections.abc import Sequence

import numpy as np
from scipy.special import stdtrit

from ascan.kernels.arrays import FloatArray

LEVEL = 0.95
# Between these inverse degrees of freedom the quantile is read off a table, to 1e-4.
STEPS = 2000


@functools.cache
def _table(quantile: float) -> tuple[FloatArray, FloatArray]:
    inverse = np.linspace(0.0, 1.0, STEPS)
    freedom = 1.0 / np.maximum(inverse, 1e-9)
    return inverse, np.asarray(stdtrit(freedom, quantile))


def coverage_factor(inverse_freedom: FloatArray) -> FloatArray:
    """Return the half-width of the 95 % interval in standard uncertainties.

    Parameters
    ----------
    inverse_freedom : ndarray
        1 / ν, from 0 (known exactly) to 1.

    Examples
    --------
    >>> coverage_factor(np.array([0.0, 1 / 9])).round(3)
    array([1.96 , 2.262])
    """
    return np.asarray(np.interp(inverse_freedom, *_table(0.5 + 0.5 * LEVEL)))


def freedom_of(inverse_freedom: FloatArray) -> FloatArray:
    """Return degrees of freedom as files keep them: 0 where something counts as exactly known."""
    known = inverse_freedom > 0.0
    return np.divide(1.0, inverse_freedom, out=np.zeros_like(inverse_freedom), where=known)


def one_sided_factor(inverse_freedom: FloatArray) -> FloatArray:
    """Return by how many standard uncertainties a one-sided bound at 95 % lies off.

    Examples
    --------
    >>> one_sided_factor(np.array([0.0, 1 / 9])).round(3)
    array([1.645, 1.833])
    """
    return np.asarray(np.interp(inverse_freedom, *_table(LEVEL)))


def inverse_effective_freedom(
    u: FloatArray, parts: Sequence[tuple[float | FloatArray, float]]
) -> FloatArray:
    """Return 1 / ν_eff of a combined uncertainty.

    Parameters
    ----------
    u : ndarray
        Combined standard uncertainty.
    parts : sequence of (part, degrees of freedom)
        Those contributions that were estimated from few values; all others count as exact.

    References
    ----------
    Welch–Satterthwaite: JCGM 100:2008 G.4.1, equation (G.2b).
    """
    share = np.zeros_like(u)
    for part, freedom in parts:
        if freedom > 0:
            share = share + np.asarray(part) ** 4 / freedom
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.clip(share / u**4, 0.0, 1.0))
