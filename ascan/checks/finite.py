"""NOT_FINITE: the waveform holds a NaN or an infinity anywhere."""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.kernels.arrays import AnyArray, BoolArray
from ascan.kernels.jit import compiled_sums


@compiled_sums
def mark_not_finite(block: AnyArray, found: BoolArray) -> None:
    """Mark rows of a floating-point block, shape (n, samples), that hold a NaN or an infinity."""
    for row in range(block.shape[0]):
        # x − x is 0 for every finite x and NaN for all others, and the sum of NaN stays NaN.
        total = 0.0
        samples = block[row]
        for j in range(samples.size):
            total += samples[j] - samples[j]
        if total != 0.0:
            found[row] = True


def evidence(seen: CheckInput) -> Evidence:
    """Return which records hold what is no number."""
    found = np.zeros(seen.rows, np.bool_)
    if seen.block.dtype.kind == "f":
        mark_not_finite(seen.block, found)
    return {"not_finite": found}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag them."""
    return {Flag.NOT_FINITE: found["not_finite"]}


CHECK = Check(name="finite", stage=Stage.RECORD, evidence=evidence, judge=judge)
