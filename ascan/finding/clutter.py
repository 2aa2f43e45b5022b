"""What lies between the echoes beyond noise: grain, ringing. It moves a time as noise does.

A quiet stretch of the record does not show it, nor does averaging lower it.
"""

from __future__ import annotations

from statistics import NormalDist

import numpy as np

from ascan.finding.arrival import (
    QUIETER,
    QUIETER_SIGMAS,
    SHORT_GATE,
    WIDE_BAND,
    background,
)
from ascan.finding.rows import Trace
from ascan.kernels.arrays import AnyArray, FloatArray, IntArray
from ascan.kernels.jit import compiled

# A gate may hold little but its echo and the beginning of another: the background is read off what
# stands this many reaches and more before the echo peak, or else off the whole gate.
CLEAR_REACHES = 2
# The background of a short gate scatters: it is clutter from so many times what noise shows.
BEYOND_NOISE = 1.25
# An echo with both its tails takes up so many half-periods.
ECHO_HALF_PERIODS = 9
MOST_SHARE = 0.75


def crests_of_noise(reach: int, filtered: bool, width: int) -> float:
    """Return the background up to which noise of level 1 alone may show in a gate so wide.

    The quarter quantile of the largest of the samples in half a period: independent ones where
    there is no filter, else few. The echo takes up half-periods of the gate, and none of them is
    among the quieter ones.
    """
    half = max(reach // 3, 1)
    whole = max(width // half, SHORT_GATE)
    share = min(QUIETER * whole / (whole - ECHO_HALF_PERIODS), MOST_SHARE)
    white = NormalDist().inv_cdf(0.5 + 0.5 * share ** (1.0 / half)) / QUIETER_SIGMAS
    few = NormalDist().inv_cdf(0.5 + 0.5 * share) / NormalDist().inv_cdf(0.5 + 0.5 * QUIETER)
    return BEYOND_NOISE * (WIDE_BAND * few if filtered else max(white, WIDE_BAND * few))


@compiled
def is_quiet_gate(samples: AnyArray, start: int, stop: int, half: int, most: float) -> bool:
    """Tell whether so many half-periods are quiet that the background cannot exceed ``most``.

    In most records it cannot, and the first quarter of the gate tells.
    """
    whole = (stop - start) // half
    limit, quiet = QUIETER_SIGMAS * most, 0
    for k in range(whole):
        largest = 0.0
        for j in range(start + k * half, start + (k + 1) * half):
            largest = max(largest, abs(np.float64(samples[j])))
        if largest <= limit:
            quiet += 1
            if quiet >= QUIETER * (whole - 1) + 2.0:
                return True
    return False


@compiled
def clutter_beside(
    trace: Trace, peak: IntArray, reach: int, crests: float, level: FloatArray
) -> None:
    """Write the standard deviation of what lies beside each row's echo beyond its noise; or 0.

    Parameters
    ----------
    trace : Trace
    peak : ndarray, shape (n,)
        The echo's peak; -1 where there is none.
    reach : int
        One and a half periods, in samples.
    crests : float
        What noise of level 1 alone would show (`crests_of_noise`).
    level : ndarray, shape (n,)
        Written, in codes. 0 in a gate of fewer than twelve half-periods, which holds little but its
        echo.
    """
    room = np.empty(trace.samples.shape[1])
    half = max(reach // 3, 1)
    for row in range(peak.size):
        level[row] = 0.0
        samples, first, last = trace.samples[row], trace.first[row], trace.last[row]
        if peak[row] < 0 or (last - first) // half < SHORT_GATE:
            continue
        shown = crests * trace.noise[row]
        if is_quiet_gate(samples, first, last, half, shown):
            continue
        ahead = max(peak[row] - CLEAR_REACHES * reach, first)
        found = background(samples, first, ahead, last, half, room)
        if found > shown:
            level[row] = np.sqrt(found**2 - trace.noise[row] ** 2)
