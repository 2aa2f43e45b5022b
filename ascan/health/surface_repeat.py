"""SURFACE_REPEAT: a wall echo lies where the surface echo comes back a second time.

Sound that has returned from the surface is reflected by the probe and runs the water path or delay
line again: repeats lie at t₀ + n (tₛ − t₀) for n = 2, 3, 4, where tₛ is the surface echo and t₀ the
probe's own delay. They are as strong as a back-wall echo and look like one.
"""

from __future__ import annotations

import numpy as np

from ascan.arrays import FlagArray, FloatArray
from ascan.flags import Flag
from ascan.kernels.jit import compiled

REPEAT = np.uint32(Flag.SURFACE_REPEAT)
LAST_REPEAT = 4


@compiled
def check_repeat(
    surface_us: FloatArray, echo_us: FloatArray, delay_us: float, reach_us: float, flags: FlagArray
) -> None:
    """Flag rows whose echo lies where their surface echo repeats.

    Either may have been timed up to ``reach_us`` after its onset, and what the surface echo was
    timed late counts n times: the repeat lies up to n reaches before the place computed, or one
    after.

    Parameters
    ----------
    surface_us, echo_us : ndarray, shape (n,)
        Times of the surface echo and of the wall echo; NaN where there is none.
    delay_us : float
        The probe's own delay.
    reach_us : float
        One and a half periods.
    """
    for row in range(flags.size):
        for n in range(2, LAST_REPEAT + 1):
            late = echo_us[row] - delay_us - n * (surface_us[row] - delay_us)
            if -n * reach_us <= late <= reach_us:
                flags[row] |= REPEAT
