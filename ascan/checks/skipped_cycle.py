"""HALF_CYCLE_UNSURE: whether the timed half-cycle is the calibration's, by the envelope.

An echo turned over, a skipped cycle, another echo run into it, or a band so dispersed that the wave
has moved under its envelope.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.kernels.arrays import FloatArray
from ascan.kernels.jit import compiled

# How far a time lies off its usual place under the envelope, in periods, because echoes differ in
# shape (own study, `benches/faults.py`: clean steps and walls stay within 0.15).
SHAPE_PERIODS = 0.07


class Times(NamedTuple):
    """The two times of n echoes: by their method, and of the top of their envelope with its u."""

    time_us: FloatArray
    envelope_us: FloatArray
    u_envelope_us: FloatArray


@compiled
def weigh_half_cycle(
    times: Times, lag_us: float, period_us: float, odds: FloatArray, late_us: FloatArray
) -> None:
    """Write the odds of each timed half-cycle against its likelier neighbour, and how late it is.

    Parameters
    ----------
    times : Times
    lag_us : float
        By how much the calibration's echoes were timed after the top of their envelope.
    odds, late_us : ndarray, shape (n,)
        Out: twice the log odds, NaN where there is no envelope; by how much the echo was timed
        late if its neighbour is the right one.

    Notes
    -----
    Off by d periods, with a standard deviation of s: ((1/2 - d)² - d²) / s²; even odds at a
    quarter, an eighth of a wavelength of wall.
    """
    for row in range(odds.size):
        off = (times.time_us[row] - times.envelope_us[row] - lag_us) / period_us
        noise = times.u_envelope_us[row] / period_us
        odds[row] = (0.25 - abs(off)) / (SHAPE_PERIODS**2 + noise**2)
        late_us[row] = np.copysign(0.5 * period_us, off)
