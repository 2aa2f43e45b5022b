"""UNEXPECTED_ECHO, behind: more follows the wall's first echo than followed it on the steps.

Behind the wall's first echo come its others, so much lower as the steps have shown.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.checks.lesson import Lesson, Pass, StepReadings
from ascan.checks.unexpected_echo import MAX_AFTER, SIGMAS, applies
from ascan.kernels.arrays import FloatArray
from ascan.steps.learned_value import Kind, LearnedValue

AFTER_PEAK = LearnedValue(
    name="after_peak",
    kind=Kind.PER_STEP,
    unit="1",
    meaning="largest half-cycle behind the first back-wall echo over its own: the wall's later "
    "echoes make it",
)


def learn(on: StepReadings) -> dict[str, FloatArray]:
    """Return what followed the echo on each step."""
    if not applies(on.layout):
        return {}
    return {on.layout.back_wall: on.per_step(on.of_gate(on.layout.back_wall, "after_peak"))}


def evidence(seen: CheckInput) -> Evidence:
    """Return what followed the echo on the steps beside each wall; NaN where it is not known."""
    return {"usual": seen.learned(AFTER_PEAK, seen.layout.back_wall)}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag rows of which more follows than then, and than noise."""
    echo = seen.echoes[seen.layout.back_wall]
    noise = SIGMAS * 10.0 ** (-echo.snr_db / 20.0)
    most = seen.limit(MAX_AFTER.name) * found["usual"] + noise
    return {Flag.UNEXPECTED_ECHO: np.asarray(echo.measured["after_peak"] > most)}


CHECK = Check(
    name="followers",
    stage=Stage.READING,
    evidence=evidence,
    judge=judge,
    applies=applies,
    keys=(MAX_AFTER,),
    learns=(Lesson(AFTER_PEAK, Pass.SHAPED, learn),),
)
