"""Intervals: the weighted sum of echo times that a thickness is computed from."""

from __future__ import annotations

import numpy as np

from ascan.kernels.arrays import FloatArray
from ascan.kernels.jit import compiled


def interval_weights(u_times_us: FloatArray) -> FloatArray:
    """Return the weight of each echo's time in the interval, shape (echoes, n) as given.

    For one time, 1; for successive echoes, the slope of the weighted least-squares line of time
    against echo number, each weighing by its own uncertainty; for two, simply their difference.

    References
    ----------
    Aitken's generalised least squares for independent errors: no other linear unbiased slope has a
    smaller variance. All pairs of echoes, weighted by their covariances, give the same.
    """
    weights = np.empty_like(u_times_us)
    for row in range(u_times_us.shape[1]):
        weigh_times(u_times_us[:, row], weights[:, row])
    return weights


@compiled
def weigh_times(u_times_us: FloatArray, weights: FloatArray) -> None:
    """Write the weight of each of one row's times (see `interval_weights`)."""
    count = u_times_us.size
    if count == 1:
        weights[0] = 1.0
        return
    if count == 2:
        weights[0], weights[1] = -1.0, 1.0
        return
    total, mean = 0.0, 0.0
    for k in range(count):
        share = 1.0 / (u_times_us[k] * u_times_us[k])
        total += share
        mean += share * k
    mean /= total
    moment = 0.0
    for k in range(count):
        share = 1.0 / (u_times_us[k] * u_times_us[k])
        moment += share * (k - mean) ** 2
        weights[k] = share * (k - mean)
    for k in range(count):
        weights[k] /= moment


@compiled
def take_intervals(
    times_us: FloatArray,
    u_times_us: FloatArray,
    interval_us: FloatArray,
    u_interval_us: FloatArray,
) -> None:
    """Write the weighted sum of echo times, shape (gates, n) in, and its random uncertainty."""
    weights = np.empty(times_us.shape[0])
    for row in range(interval_us.size):
        weigh_times(u_times_us[:, row], weights)
        total, variance = 0.0, 0.0
        for k in range(weights.size):
            total += weights[k] * times_us[k, row]
            part = weights[k] * u_times_us[k, row]
            variance += part * part
        interval_us[row] = total
        u_interval_us[row] = np.sqrt(variance)
