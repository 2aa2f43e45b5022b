"""RECORD_DUPLICATE: the same record as the one before, sample by sample.

Noise makes two measurements differ; records too quiet to show noise are never told.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.checks.record_stuck import equal_neighbours

# A record whose neighbouring codes are equal more often may be too quiet to differ from another.
QUIET_SHARE = 0.3


def evidence(seen: CheckInput) -> Evidence:
    """Return which records are those before them, sample by sample."""
    block, before = seen.block, seen.before
    same = np.zeros(seen.rows, np.bool_)
    same[1:] = (block[1:, 0] == block[:-1, 0]) & (block[1:, -1] == block[:-1, -1])
    same[0] = before is not None and before[0] == block[0, 0]
    for row in np.flatnonzero(same):
        other = block[row - 1] if row or before is None else before
        moves = equal_neighbours(block[row]) < QUIET_SHARE * block.shape[1]
        same[row] = moves and np.array_equal(block[row], other)
    return {"same": same}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag them."""
    return {Flag.RECORD_DUPLICATE: found["same"]}


CHECK = Check(name="record_duplicate", stage=Stage.SCAN, evidence=evidence, judge=judge)
