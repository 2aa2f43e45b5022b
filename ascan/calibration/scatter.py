"""What steps scatter by round their line beyond block and timing, as few steps tell it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.special import ndtr, stdtrit

from ascan.kernels.arrays import FloatArray

# What steps usually scatter by, in periods: diffraction of a round element bends the times of 3 to
# 20 mm off their best line by 0.012 of a period (rms) where it bends them by 0.025 at most
# (`ascan.path.diffraction`); coupling that is made anew moves an echo as much (own estimate).
USUAL_PERIODS = 0.01
# The prior's degrees of freedom: heavy enough a tail for any block, and a mean that exists.
PRIOR_FREEDOM = 2.0
# Grid of the scatter, in usual ones; and the shares of its normal mixture that a t distribution is
# laid through.
LEAST, MOST, COUNT = 0.02, 60.0, 60
INNER, OUTER = 0.6, 0.95
FREEDOMS = np.geomspace(1.2, 200.0, 60)


class Scatter(NamedTuple):
    """Standard deviation in µs, and how well it is known: degrees of freedom, 0 if exactly."""

    us: float
    freedom: float


def scatter_of(
    design: FloatArray, interval_us: FloatArray, u_us: FloatArray, usual: float
) -> Scatter:
    """Return what steps scatter by beyond their own uncertainties.

    No test decides whether there is any: a scatter that few steps do not show may be there all the
    same, and one that they show by chance may not.

    Parameters
    ----------
    design : ndarray, shape (steps, fitted)
        Columns of the line.
    interval_us, u_us : ndarray, shape (steps,)
        Times, and what block and timing leave uncertain of them.
    usual : float
        What steps usually scatter by, µs.

    References
    ----------
    Posterior of a variance component by its restricted likelihood and a half-t prior (A. Gelman,
    Bayesian Analysis 1, 515, 2006, for few groups; from memory). The mixture of normal
    distributions that it makes of one reading is told as a t distribution through two of its
    quantiles, which the Welch–Satterthwaite formula then combines.
    """
    steps, fitted = design.shape
    residual = interval_us - design @ np.linalg.lstsq(design, interval_us, rcond=None)[0]
    reach = max(MOST * usual, 6.0 * float(np.abs(residual).max()))
    grid = np.concatenate([[0.0], np.geomspace(LEAST * usual, reach, COUNT)])
    log_prior = -0.5 * (PRIOR_FREEDOM + 1.0) * np.log1p((grid / usual) ** 2 / PRIOR_FREEDOM)
    log_likely = np.zeros(grid.size)
    if steps > fitted:
        weight = 1.0 / (u_us**2 + grid[:, None] ** 2)
        normal = np.einsum("gs,si,sj->gij", weight, design, design)
        right = np.einsum("gs,si,s->gi", weight, design, residual)
        solved = np.linalg.solve(normal, right[..., None])[..., 0]
        square = (weight * residual**2).sum(axis=1) - (right * solved).sum(axis=1)
        log_likely = 0.5 * (np.log(weight).sum(axis=1) - np.linalg.slogdet(normal)[1] - square)
    log_density = log_prior + log_likely
    density = np.exp(log_density - log_density.max()) * np.gradient(grid)
    return _as_t(grid, density / density.sum())


def _as_t(grid: FloatArray, share: FloatArray) -> Scatter:
    """Return the t distribution through two quantiles of a mixture of normal distributions."""
    spread = float(np.sqrt(share @ grid**2))
    at = np.geomspace(1e-3, 30.0, 300) * spread
    within = 2.0 * ndtr(at[:, None] / np.maximum(grid, 1e-12 * spread)) - 1.0
    inner, outer = np.interp([INNER, OUTER], within @ share, at)
    quantiles = [np.asarray(stdtrit(FREEDOMS, 0.5 + 0.5 * p)) for p in (INNER, OUTER)]
    # The wider the outer quantile against the inner one, the fewer degrees of freedom.
    freedom = float(np.interp(-outer / inner, -quantiles[1] / quantiles[0], FREEDOMS))
    return Scatter(float(outer / stdtrit(freedom, 0.5 + 0.5 * OUTER)), freedom)
