"""AMBIGUOUS: another thickness explains the whole record about as well."""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Evidence, Key, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.checks.record_residual import applies

# A fit this near to where the first arrival lies, in periods, is of the same half-cycle.
NEAR_FIRST = 0.25
MIN_RECORD_ODDS = Key(
    name="min_record_odds",
    default=16.0,
    least=0.0,
    most=100.0,
    meaning="of whole records: twice the log odds against another thickness; below it "
    "`ambiguous` is set and the reading refused",
    why="four standard deviations",
)


def evidence(seen: CheckInput) -> Evidence:
    """Return the odds of each fit against the likeliest other one.

    And, of a dual probe whose model does not hold, by how many periods it lies off the first
    arrival, which then decides. NaN where there is no wall.
    """
    fit = seen.fit
    there = np.isfinite(fit["height"])
    return {"odds": np.where(there, fit["alternative_odds"], np.nan), "astray": fit["astray"]}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag fits that have an alternative which is too likely."""
    few = found["odds"] < seen.limit(MIN_RECORD_ODDS.name)
    return {Flag.AMBIGUOUS: few | (found["astray"] > NEAR_FIRST)}


CHECK = Check(
    name="record_odds",
    stage=Stage.FIT,
    evidence=evidence,
    judge=judge,
    applies=applies,
    keys=(MIN_RECORD_ODDS,),
)
