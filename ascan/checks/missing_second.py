"""UNEVEN_SPACING: the wall's second echo is not there, where the steps had one (dual probes).

A wall of such a thickness that has none is doubtful: its first was something else (an echo of the
shot before, say), or most of the sound went elsewhere.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.checks.lesson import Lesson, Pass, StepReadings
from ascan.checks.second_echo import is_lower
from ascan.kernels.arrays import BoolArray, FloatArray
from ascan.path.modes import Layout
from ascan.steps.learned_value import Kind, LearnedValue

# So much must be there of what the steps beside a wall showed, beyond so many deviations of noise.
LEAST_OF_USUAL, NOISE_SIGMAS = 0.4, 5.0
SECOND_RATIO = LearnedValue(
    name="second_echo_ratio",
    kind=Kind.PER_STEP,
    unit="1",
    meaning="the wall's second echo over its first, under a dual probe",
)


def is_missing(share: FloatArray, usual: FloatArray, snr_db: FloatArray) -> BoolArray:
    """Return which rows have far less of a second echo than the steps had, shape (n,).

    ``share`` is the second echo's of the first (NaN: not known), ``usual`` the least of the two
    steps that the wall lies between, ``snr_db`` the first echo's.
    """
    return is_lower(share, LEAST_OF_USUAL * usual, snr_db, NOISE_SIGMAS)


def applies(layout: Layout) -> bool:
    """Tell that it is the first arrival of a dual probe, alone or in its whole record."""
    return layout.is_dual and (layout.times_single_echoes or layout.of_whole_record)


def learn(on: StepReadings) -> dict[str, FloatArray]:
    """Return each step's second echo over its first.

    Where a thin step's cannot be told from what stands beside it, that of the next step, which is
    less; where the record ends before a thick step's, 0.
    """
    if not applies(on.layout):
        return {}
    found, least = on.per_step(np.abs(on.columns["second_echo_ratio"])), 0.0
    for step in np.flatnonzero(on.steps.used)[::-1]:
        least = found[step] if np.isfinite(found[step]) else least
        found[step] = least
    return {on.layout.back_wall: found}


def evidence(seen: CheckInput) -> Evidence:
    """Return the least that the steps beside each wall had; NaN where it is not known."""
    return {"least": seen.learned(SECOND_RATIO, seen.layout.back_wall, np.minimum)}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag rows with far less."""
    share, snr_db = seen.columns.get("second_echo_ratio"), seen.echoes[seen.layout.back_wall].snr_db
    if share is None:
        return {}
    return {Flag.UNEVEN_SPACING: is_missing(np.abs(share), found["least"], snr_db)}


CHECK = Check(
    name="missing_second",
    stage=Stage.READING,
    evidence=evidence,
    judge=judge,
    applies=applies,
    learns=(Lesson(SECOND_RATIO, Pass.FOLLOWED, learn),),
)
