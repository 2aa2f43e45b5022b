"""RIVAL_READING: another thickness explains the whole record about as well."""

from __future__ import annotations

from ascan.base.flags import Flag
from ascan.checks.check import Check, Evidence, Key, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.path.modes import Begins, Layout

LEAST_RECORD_ODDS = Key(
    name="least_record_odds",
    default=16.0,
    least=0.0,
    most=100.0,
    meaning="of whole records: twice the log odds against another thickness; below it "
    "`rival_reading` is set and the reading refused",
    why="four standard deviations",
)


def applies(layout: Layout) -> bool:
    """Tell that it is of whole records."""
    return layout.mode.begins is Begins.MODEL


def evidence(seen: CheckInput) -> Evidence:
    """Return the odds of each fit against the likeliest other one."""
    return {"odds": seen.fit["rival_odds"]}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag fits that have an alternative which is too likely."""
    return {Flag.RIVAL_READING: found["odds"] < seen.limit(LEAST_RECORD_ODDS.name)}


CHECK = Check(
    name="record_odds",
    stage=Stage.FIT,
    evidence=evidence,
    judge=judge,
    applies=applies,
    keys=(LEAST_RECORD_ODDS,),
)
