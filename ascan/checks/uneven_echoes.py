"""UNEVEN_ECHOES: successive echoes that should be equally spaced are not.

Between two back-wall echoes timed alike the spacings agree to a fraction of a period; one that
differs by more than half a period has a skipped cycle or an echo of another origin in it. From the
surface echo to the first back-wall echo the spacing is the same again, but the surface echo has
another shape and may be timed by another method: there two periods are allowed.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.kernels.arrays import FlagArray, FloatArray
from ascan.kernels.jit import compiled

UNEVEN = np.uint32(Flag.UNEVEN_ECHOES)
TRAIN_PERIODS = 0.5
SURFACE_PERIODS = 2.0
# Against what it was on the steps: a quarter of a period is an eighth of a wavelength of wall.
LEAD_PERIODS = 0.25


@compiled
def check_spacing(
    surface_us: FloatArray, echoes_us: FloatArray, period_us: float, flags: FlagArray
) -> None:
    """Flag rows whose echo train is uneven.

    Parameters
    ----------
    surface_us : ndarray, shape (n,)
        Time of the surface echo; NaN where none is gated.
    echoes_us : ndarray, shape (m, n)
        Times of m >= 2 successive back-wall echoes.
    """
    for row in range(flags.size):
        spacing = echoes_us[1, row] - echoes_us[0, row]
        ahead = echoes_us[0, row] - surface_us[row]
        if abs(ahead - spacing) > SURFACE_PERIODS * period_us:
            flags[row] |= UNEVEN
        for k in range(2, echoes_us.shape[0]):
            following = echoes_us[k, row] - echoes_us[k - 1, row]
            if abs(following - spacing) > TRAIN_PERIODS * period_us:
                flags[row] |= UNEVEN


@compiled
def check_lead(
    lead_us: FloatArray, usual_us: tuple[float, float], period_us: float, flags: FlagArray
) -> None:
    """Flag rows whose first wall echo follows the surface echo otherwise than on the steps.

    ``lead_us``, shape (n,), is by how much it came later than the second after the first; what
    surface echo and zero offset put into it, the steps have shown (``usual_us``, least and most).
    """
    slack = LEAD_PERIODS * period_us
    for row in range(flags.size):
        if lead_us[row] < usual_us[0] - slack or lead_us[row] > usual_us[1] + slack:
            flags[row] |= UNEVEN
