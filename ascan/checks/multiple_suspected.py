"""MULTIPLE_SUSPECTED: an echo about as large stands where the first of a train would be.

If the timed echo is in truth the second or third of a train, the first came at a half or a third of
its interval, with the same polarity and larger. What cannot be told apart: a wall half as thick
from a reflector half way down a thicker one.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.alternatives import Cause
from ascan.checks.check import Check, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.checks.odds import MIN_ALTERNATIVE_ODDS, unsure
from ascan.checks.saturation import mark_clipped
from ascan.kernels.arrays import AnyArray, BoolArray, FloatArray
from ascan.kernels.jit import compiled
from ascan.path.modes import Layout

SHARES = (2, 3)
# An echo before the timed one in its train is higher by 3 dB, give or take 2 (common practice:
# three to four echoes of a step stand on one screen); even odds are at 0.7 of the timed one. A dual
# probe hears the second echo of a thin wall as loud as the first, or louder.
USUAL_HEIGHT, USUAL_HEAD, U_SHARE = 1.4, 0.7, 0.25
# A later echo's time tells the first one's to this part of a period.
NEAR_PERIODS = 0.5
# Nearer than this to its beginning, an interval still holds the echo or pulse it begins with.
CLEAR_PERIODS = 2.0
# Clipped, an interface echo lasts longer.
CLIPPED_CLEAR_PERIODS = 4.0


def odds_against(share: FloatArray, usual: float) -> FloatArray:
    """Return twice the log odds that no first echo stands where something of this height does.

    ``share`` is that height over the timed echo's (NaN: nothing can be told), ``usual`` what the
    first echo of a train is over a later one.

    Notes
    -----
    Of a height x there, with none expected if the timed echo is the first and h if it is a later
    one, standard deviation s: ((h - x)² - x²) / s².
    """
    return (1.0 - 2.0 * share / usual) / U_SHARE**2


@compiled
def shares_ahead(
    trace: AnyArray, ahead_us: FloatArray, clear_us: float, height: FloatArray, share: FloatArray
) -> None:
    """Write the largest height in a window at a share of the interval over the timed echo's.

    Parameters
    ----------
    trace : ndarray, shape (n, width)
        Conditioned samples of that window, in codes from zero.
    ahead_us : ndarray, shape (n,)
        From the beginning of the interval to the window's middle (NaN: nothing to check).
    clear_us : float
        What ``ahead_us`` must exceed for the window to be free of what the interval begins with.
    height : ndarray, shape (n,)
        Signed echo peak of the timed echo, in codes.
    share : ndarray, shape (n,)
        Out: 0 where all is of the other polarity; NaN where nothing can be told.
    """
    for row in range(share.size):
        share[row] = np.nan
        if not ahead_us[row] > clear_us:
            continue
        found = 0.0
        for j in range(trace.shape[1]):
            found = max(found, np.float64(trace[row, j]) / height[row])
        share[row] = found


def applies(layout: Layout) -> bool:
    """Tell that the fit of a train checks itself."""
    return not layout.times_train


def evidence(seen: CheckInput) -> Evidence:
    """Return the odds of each interval against a half and a third of it, shape (weighed, n).

    Under a dual probe, those of the echo against a first one that noise masks.
    """
    if seen.layout.is_dual:
        echo = seen.echoes[seen.layout.gates[-1]]
        odds = odds_against(echo.masked.share, USUAL_HEAD)
        seen.weigh(Cause.LATER_ECHO, odds, seen.interval_us - echo.masked.lead)
        return {"odds": odds}
    # Sound enters the wall at the interface echo, with a contact probe when it is sent.
    begin_us, found = np.full(seen.rows, seen.about.time_zero_us), list[FloatArray]()
    if seen.layout.interface:
        begin_us = seen.echoes[seen.layout.interface].time_us
    for name in seen.layout.gates:
        if name != seen.layout.interface:
            found += [_odds_at(seen, name, share, begin_us) for share in SHARES]
        begin_us = seen.echoes[name].time_us
    return {"odds": np.array(found)}


def _odds_at(seen: CheckInput, name: str, share: int, begin_us: FloatArray) -> FloatArray:
    """Return the odds against an echo at this share of the interval that ends with a gate's."""
    echo, found = seen.echoes[name], np.empty(seen.rows)
    near = int(np.ceil(NEAR_PERIODS * seen.about.period))
    ahead_us = (echo.time_us - begin_us) / share
    middle = (begin_us + ahead_us - seen.start_time_us) * seen.rate
    index = np.nan_to_num(middle, nan=0.0, posinf=0.0, neginf=0.0)
    trace = seen.cut(np.rint(index).astype(np.int64) - near, 2 * near + 1)
    height = echo.amplitude * seen.about.recording.full_scale
    shares_ahead(trace, ahead_us, CLEAR_PERIODS * seen.layout.period_us, height, found)
    odds = odds_against(found, USUAL_HEIGHT)
    # Of an echo before the last one, it is not told which interval is meant.
    last = name == seen.layout.gates[-1]
    other_us = seen.interval_us - (share - 1) * ahead_us if last else np.full(seen.rows, np.nan)
    seen.weigh(Cause.LATER_ECHO, odds, other_us)
    return odds


def clipped_first(seen: CheckInput, begin_us: FloatArray, interval_us: FloatArray) -> BoolArray:
    """Return where a clipped echo stands at a half or a third of an interval, shape (n,).

    A fit leaves clipped samples out, and may then take a wall's second echo for its first. What
    clips there is no less an echo.
    """
    recording, found = seen.about.recording, np.zeros(seen.rows, np.bool_)
    clips, near = (recording.clip_low, recording.clip_high), NEAR_PERIODS * seen.about.period
    clear_us = CLIPPED_CLEAR_PERIODS * seen.layout.period_us
    for share in SHARES:
        ahead_us = interval_us / share
        place = (begin_us + ahead_us - seen.start_time_us) * seen.rate
        place = np.where(ahead_us > clear_us, place, np.nan)
        mark_clipped(seen.block, place, place, int(np.ceil(near)), clips, found)
    return found


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag rows that have an earlier echo which is about as likely the first."""
    return {Flag.MULTIPLE_SUSPECTED: unsure(seen, found["odds"])}


CHECK = Check(
    name="multiple_suspected",
    stage=Stage.INTERVAL,
    evidence=evidence,
    judge=judge,
    applies=applies,
    keys=(MIN_ALTERNATIVE_ODDS,),
)
