"""Intervals: which times are taken from which, as one weighted sum of echo times.

ISO 16809:2017 clause 4 names the modes: 1, from the transmit pulse to the first back-wall echo;
2, from the surface (interface) echo to the back wall; 3, between successive back-wall echoes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.arrays import FloatArray
from ascan.errors import fault
from ascan.kernels.jit import compiled
from ascan.tables import names, text

MODES = {
    "time_zero_to_echo": "transmit pulse to echo (ISO 16809 mode 1)",
    "interface_to_echo": "interface echo to back-wall echo (ISO 16809 mode 2)",
    "echo_to_echo": "between successive back-wall echoes (ISO 16809 mode 3)",
    "whole_record": "surface echo and all back-wall echoes of the record in one fit",
    "echo_to_converted": "back-wall echo to the one that ran one way as a transverse wave",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """Mode, and the names of the gates whose echoes it is taken between, in order of arrival.

    ``diffraction`` says whether echo times are freed of it (`ascan.path.diffraction`).
    """

    mode: str = text(choices=tuple(MODES))
    gates: tuple[str, ...] = names()
    diffraction: str = text("none", choices=("none", "round_element"))

    def __post_init__(self) -> None:
        count = len(self.gates)
        wanted = {"time_zero_to_echo": (1, 1), "interface_to_echo": (2, 2), "echo_to_echo": (1, 32)}
        wanted["echo_to_converted"] = (2, 2)
        wanted["whole_record"] = (1, 2)
        least, most = wanted[self.mode]
        if not least <= count <= most or len(set(self.gates)) != count:
            allowed = f"{least} different gates" if least == most else f"{least} or more"
            raise fault(
                "interval.gates",
                f"names {count} ({', '.join(self.gates)})",
                allowed=f"{allowed} for {self.mode}",
            )


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
