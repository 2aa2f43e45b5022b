"""Whether the timed half-cycle is the one that the calibration timed, by the envelope."""

from __future__ import annotations

import numpy as np

from ascan.arrays import FlagArray, FloatArray
from ascan.flags import Flag
from ascan.kernels.jit import compiled

UNSURE = np.uint32(Flag.HALF_CYCLE_UNSURE)
# Half a period off is the next half-cycle, a quarter an eighth of a wavelength of wall; noise of
# 14 dB moves an envelope by 0.05 periods.
MOST_PERIODS = 0.25


@compiled
def check_cycle(
    time_us: FloatArray,
    envelope_us: FloatArray,
    lag_us: float,
    period_us: float,
    flags: FlagArray,
) -> None:
    """Flag echoes whose time lies elsewhere under their envelope than those of the calibration did.

    Parameters
    ----------
    time_us, envelope_us : ndarray, shape (n,)
    lag_us : float
        By how much the calibration's echoes were timed after the top of their envelope.

    Notes
    -----
    Flag: ``HALF_CYCLE_UNSURE``. An echo turned over, a skipped cycle, another echo run into it, or
    a band so dispersed that the wave has moved under its envelope.
    """
    for row in range(flags.size):
        off = time_us[row] - envelope_us[row] - lag_us
        if abs(off) > MOST_PERIODS * period_us:
            flags[row] |= UNSURE
