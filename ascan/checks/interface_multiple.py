"""INTERFACE_MULTIPLE: a back-wall echo lies where the interface echo comes back a second time.

Sound that has returned from the surface is reflected by the probe and runs the water path or delay
line again: repeats lie at t₀ + n (tₛ − t₀) for n = 2, 3, 4, where tₛ is the interface echo and t₀
the probe's own delay. They are as strong as a back-wall echo and look like one.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.alternatives import Cause
from ascan.checks.check import Check, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.checks.odds import MIN_ALTERNATIVE_ODDS, unsure
from ascan.kernels.arrays import FloatArray
from ascan.kernels.jit import compiled
from ascan.path.modes import Layout

LAST_REPEAT = 4


@compiled
def weigh_repeat(
    surface_us: FloatArray, echo_us: FloatArray, delay_us: float, reach_us: float, odds: FloatArray
) -> None:
    """Write the odds that an echo is no repeat of its interface echo.

    Either may have been timed up to ``reach_us`` after its onset, and what the interface echo was
    timed late counts n times: the repeat lies up to n reaches before the place computed, or one
    after. There, time tells nothing, and the odds are even; beside it they grow as the square of
    the distance in reaches.

    Parameters
    ----------
    surface_us, echo_us : ndarray, shape (n,)
        Times of the interface echo and of the back-wall echo; NaN where there is none.
    delay_us : float
        The probe's own delay.
    reach_us : float
        One and a half periods.
    odds : ndarray, shape (n,)
        Out: twice the log odds; NaN where there are not both echoes.
    """
    for row in range(odds.size):
        nearest = np.inf
        for n in range(2, LAST_REPEAT + 1):
            late = (echo_us[row] - delay_us - n * (surface_us[row] - delay_us)) / reach_us
            nearest = min(nearest, max(late - 1.0, -n - late, 0.0))
        known = np.isfinite(surface_us[row] + echo_us[row])
        odds[row] = nearest * nearest if known else np.nan


def applies(layout: Layout) -> bool:
    """Tell that there is an interface echo; the fit of a train checks itself."""
    return bool(layout.interface) and not layout.times_train


def evidence(seen: CheckInput) -> Evidence:
    """Return the odds of each back-wall echo against being a repeat, shape (gates, n)."""
    layout, nothing = seen.layout, np.full(seen.rows, np.nan)
    surface_us, delay_us = seen.echoes[layout.interface].time_us, seen.about.probe.delay_us
    odds = np.empty((len(layout.back_walls), seen.rows))
    for own, name in zip(odds, layout.back_walls, strict=True):
        weigh_repeat(surface_us, seen.echoes[name].time_us, delay_us, layout.reach_us, own)
        seen.weigh(Cause.INTERFACE_MULTIPLE, own, nothing)
    return {"odds": odds}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag rows that have a back-wall echo which is about as likely a repeat."""
    return {Flag.INTERFACE_MULTIPLE: unsure(seen, found["odds"])}


CHECK = Check(
    name="interface_multiple",
    stage=Stage.INTERVAL,
    evidence=evidence,
    judge=judge,
    applies=applies,
    keys=(MIN_ALTERNATIVE_ODDS,),
)
