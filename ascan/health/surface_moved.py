"""SURFACE_MOVED: the surface echo comes at another time than it did on the steps.

Behind a delay line it comes when the line is run through, always. By more than a period it moves
only if the trigger or the clock of the digitiser did, or the line was changed, worn or heated. An
interval that begins with the surface echo does not mind a trigger; it does mind a clock. A water
path changes as the probe moves: in immersion nothing is checked.
"""

from __future__ import annotations

import numpy as np

from ascan.arrays import FlagArray, FloatArray
from ascan.flags import Flag
from ascan.kernels.jit import compiled

MOVED = np.uint32(Flag.SURFACE_MOVED)
MOST_PERIODS = 1.0


@compiled
def check_surface(
    time_us: FloatArray, usual_us: tuple[float, float], period_us: float, flags: FlagArray
) -> None:
    """Flag rows whose surface echo, shape (n,), lies outside the calibration's by over a period."""
    slack = MOST_PERIODS * period_us
    for row in range(flags.size):
        if time_us[row] < usual_us[0] - slack or time_us[row] > usual_us[1] + slack:
            flags[row] |= MOVED
