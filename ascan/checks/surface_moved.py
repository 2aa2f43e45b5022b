"""SURFACE_MOVED: the surface echo comes at another time than it did on the steps.

Behind a delay line it comes when the line is run through, always. By more than a period it moves
only if the trigger or the clock of the digitiser did, or the line was changed, worn or heated. An
interval that begins with the surface echo does not mind a trigger; it does mind a clock. A water
path changes as the probe moves: in immersion nothing is checked.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.kernels.arrays import FlagArray, FloatArray
from ascan.kernels.jit import compiled

MOVED = np.uint32(Flag.SURFACE_MOVED)


@compiled
def check_surface(
    time_us: FloatArray, usual_us: tuple[float, float], most_us: float, flags: FlagArray
) -> None:
    """Flag rows whose surface echo, shape (n,), lies over ``most_us`` outside the calibration's."""
    for row in range(flags.size):
        if time_us[row] < usual_us[0] - most_us or time_us[row] > usual_us[1] + most_us:
            flags[row] |= MOVED
