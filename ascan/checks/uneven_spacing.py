"""UNEVEN_SPACING: successive echoes that should be equally spaced are not.

Between two back-wall echoes timed alike the spacings agree to a fraction of a period; one that
differs by more than half a period has a skipped cycle or an echo of another origin in it. From the
interface echo to the first back-wall echo the spacing is the same again, but the interface echo has
another shape and may be timed by another method: there two periods are allowed.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.kernels.arrays import BoolArray, FloatArray
from ascan.kernels.jit import compiled
from ascan.path.modes import Layout

TRAIN_PERIODS = 0.5
SURFACE_PERIODS = 2.0


@compiled
def mark_uneven(
    surface_us: FloatArray, echoes_us: FloatArray, period_us: float, found: BoolArray
) -> None:
    """Mark rows whose echo train is uneven.

    Parameters
    ----------
    surface_us : ndarray, shape (n,)
        Time of the interface echo; NaN where none is gated.
    echoes_us : ndarray, shape (m, n)
        Times of m >= 2 successive back-wall echoes.
    """
    for row in range(found.size):
        spacing = echoes_us[1, row] - echoes_us[0, row]
        ahead = echoes_us[0, row] - surface_us[row]
        if abs(ahead - spacing) > SURFACE_PERIODS * period_us:
            found[row] = True
        for k in range(2, echoes_us.shape[0]):
            following = echoes_us[k, row] - echoes_us[k - 1, row]
            if abs(following - spacing) > TRAIN_PERIODS * period_us:
                found[row] = True


def applies(layout: Layout) -> bool:
    """Tell that it is of successive echoes; the fit of a train checks itself."""
    return layout.between_back_walls and layout.times_single_echoes


def evidence(seen: CheckInput) -> Evidence:
    """Return which rows' echoes are unevenly spaced."""
    layout, found = seen.layout, np.zeros(seen.rows, np.bool_)
    surface_us = np.full(seen.rows, np.nan)
    if layout.interface:
        surface_us = seen.echoes[layout.interface].time_us
    times_us = np.stack([seen.echoes[name].time_us for name in layout.back_walls])
    mark_uneven(surface_us, times_us, layout.period_us, found)
    return {"uneven": found}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag them."""
    return {Flag.UNEVEN_SPACING: found["uneven"]}


CHECK = Check(
    name="uneven_spacing", stage=Stage.INTERVAL, evidence=evidence, judge=judge, applies=applies
)
