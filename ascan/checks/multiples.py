"""UNEXPECTED_ECHO, behind: an echo stands behind the wall's first one and is no multiple of it.

A wall repeats its echo at equal spacings. What else comes back with a good part of its height says
that the timed echo is not the first, or not the wall's: the third of a wall whose first is missing,
the wall behind a reflector that lies in front of it.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Column, Evidence, Key, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.checks.lesson import Lesson, Pass, StepReadings
from ascan.checks.second_echo import due_us, repeat_us
from ascan.checks.unexpected_echo import SIGMAS, USUAL
from ascan.kernels.arrays import AnyArray, BoolArray, FloatArray, IntArray
from ascan.kernels.jit import compiled
from ascan.path.modes import Layout
from ascan.steps.learned_value import Kind, LearnedValue

# So many spacings behind the first echo are looked at: the third echo of a wall of which the second
# was timed comes after half a spacing, and later ones run into much that is none of theirs.
SPACINGS = 2.5
MAX_BETWEEN = Key(
    name="max_between",
    default=0.3,
    above=0.0,
    most=10.0,
    meaning="of the timed echo's height, what may stand behind it and at none of its multiples, or "
    "half as much again as on the steps",
    why="mode-converted arrivals reach a tenth (own study)",
)
COLUMN = Column(
    "between_multiples",
    "1",
    "largest half-cycle behind the wall's first echo and at none of its multiples, over its own",
)
BETWEEN_MULTIPLES = LearnedValue(
    name="between_multiples",
    kind=Kind.PER_STEP,
    unit="1",
    meaning="largest half-cycle behind the wall's first echo and at none of its multiples, over "
    "its own",
    absent=0.0,
)


@compiled
def apart_of_multiples(
    trace: AnyArray,
    spaced: tuple[IntArray, FloatArray],
    reach: int,
    height: FloatArray,
    share: FloatArray,
) -> None:
    """Write the largest half-cycle between an echo's multiples over its own.

    Parameters
    ----------
    trace : ndarray, shape (n, width)
        Conditioned samples from the echo's peak on.
    spaced : pair of ndarray, shape (n,)
        So many samples are looked at; spacing of the multiples, in samples.
    reach : int
        So near to a multiple, it is that one.
    height : ndarray, shape (n,)
        Of the echo, in codes.
    share : ndarray, shape (n,)
        Out: 0 where all that is looked at is near a multiple; NaN where there is no echo.
    """
    last, later = spaced
    for row in range(share.size):
        share[row] = np.nan
        if not height[row] > 0.0 or not later[row] > 0.0:
            continue
        top, begin = 0.0, reach
        for multiple in range(1, int(SPACINGS) + 2):
            middle = int(np.rint(multiple * later[row]))
            for j in range(begin, min(middle - reach, last[row])):
                top = max(top, abs(np.float64(trace[row, j])))
            begin = max(begin, middle + reach)
        share[row] = top / height[row]


def is_apart(share: FloatArray, usual: FloatArray, most: float, snr_db: FloatArray) -> BoolArray:
    """Return whose ``share`` exceeds ``most``, what the steps had, and noise, all shape (n,)."""
    noise = SIGMAS * 10.0 ** (-snr_db / 20.0)
    return np.asarray(share > np.maximum(most, USUAL * usual) + noise)


def applies(layout: Layout) -> bool:
    """Tell that a wall's echoes are timed one by one.

    A dual probe hears converted arrivals as loud as the wall's echoes.
    """
    single = layout.mode.single_echo or layout.between_back_walls
    return single and layout.times_single_echoes and not layout.is_dual


def learn(on: StepReadings) -> dict[str, FloatArray]:
    """Return what followed on each step that was no multiple."""
    if not applies(on.layout) or "between_multiples" not in on.columns:
        return {}
    others = on.per_step(on.columns["between_multiples"])
    return {on.layout.back_wall: np.where(on.steps.used, np.nan_to_num(others), np.nan)}


def evidence(seen: CheckInput) -> Evidence:
    """Return the largest half-cycle behind each first echo and at none of its multiples."""
    name, share = seen.layout.back_wall, np.empty(seen.rows)
    echo, later = seen.echoes[name], np.nan_to_num(due_us(seen, name) * seen.rate)
    # What follows the interface echo's multiple are the wall's echoes once more.
    repeat = (repeat_us(seen) - seen.start_time_us) * seen.rate
    last = np.minimum(np.nan_to_num(repeat, nan=0.0, posinf=np.inf), float(seen.block.shape[1]))
    last = np.minimum(last, echo.peak + SPACINGS * later).astype(np.int64) - echo.peak
    last[(echo.peak < 0) | (later <= 0.0)] = 0
    trace = seen.cut(echo.peak, max(int(last.max(initial=0)), 1))
    height = np.abs(echo.amplitude) * seen.about.recording.full_scale
    apart_of_multiples(trace, (last, later), seen.about.reach, height, share)
    return {"between_multiples": share}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag rows with more there than on the steps."""
    name = seen.layout.back_wall
    usual, snr_db = seen.learned(BETWEEN_MULTIPLES, name), seen.echoes[name].snr_db
    apart = is_apart(found["between_multiples"], usual, seen.limit(MAX_BETWEEN.name), snr_db)
    return {Flag.UNEXPECTED_ECHO: apart}


CHECK = Check(
    name="multiples",
    stage=Stage.READING,
    evidence=evidence,
    judge=judge,
    applies=applies,
    keys=(MAX_BETWEEN,),
    columns=(COLUMN,),
    learns=(Lesson(BETWEEN_MULTIPLES, Pass.CALIBRATED, learn),),
)
