"""OUTSIDE_CALIBRATED_RANGE and OUTSIDE_MEASURING_RANGE: the value lies where nothing vouches."""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.kernels.arrays import BoolArray, FloatArray

# A reading on the end of a range must not be flagged for its noise: twice its own u is allowed.
COVERAGE = 2.0


def is_outside(thickness: FloatArray, u: FloatArray, span: tuple[float, float]) -> BoolArray:
    """Return which rows lie outside a range by more than twice their u."""
    slack = COVERAGE * u
    return np.asarray((thickness < span[0] - slack) | (thickness > span[1] + slack))


def evidence(seen: CheckInput) -> Evidence:
    """Return the u that decides: a reading's own noise and fit, not what is allowed for."""
    return {"u_mm": seen.columns["u_on_block_mm"]}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag rows outside the steps, or outside the procedure's range."""
    steps, thickness = seen.about.steps, seen.thickness_mm
    assert steps is not None
    used = steps.thickness_mm[steps.used]
    calibrated = (float(used.min()), float(used.max()))
    return {
        Flag.OUTSIDE_CALIBRATED_RANGE: is_outside(thickness, found["u_mm"], calibrated),
        Flag.OUTSIDE_MEASURING_RANGE: is_outside(thickness, found["u_mm"], seen.about.measuring_mm),
    }


CHECK = Check(name="ranges", stage=Stage.READING, evidence=evidence, judge=judge)
