"""UNEXPECTED_ECHO and AMBIGUOUS: the fit of a layered record leaves another echo.

One that comes ahead of the wall's, and is a good part of it, may be the wall.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Column, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.checks.unexpected_echo import ADJACENT_PEAKS, MAX_BEFORE, USUAL
from ascan.path.modes import Layout

COLUMN = Column(
    "unexplained_echo",
    "1",
    "largest echo that neither the fit of the whole record nor noise explains, over the wall's",
)
# One ahead of the wall's may be the wall where it is this part of it.
AS_LIKELY = 0.5


def applies(layout: Layout) -> bool:
    """Tell that it is of layered records."""
    return layout.fit_judges_itself


def evidence(seen: CheckInput) -> Evidence:
    """Return the largest echo that neither fit nor noise explains, over the wall's.

    And which of them may be the wall: then `CheckInput.fit` says so of the alternative.
    """
    fit = seen.fit
    share, by_noise, where_us = fit["other"], fit["by_noise"], fit["other_us"]
    usual = seen.gates_with(ADJACENT_PEAKS).get(seen.layout.back_wall, np.zeros(1))
    most = max(seen.limit(MAX_BEFORE.name), USUAL * float(usual.max()))
    stands = share > most + by_noise
    wall = stands & (share > AS_LIKELY)
    wall &= (where_us < fit["interval_us"]) & (where_us < fit["alternative_us"])
    fit["alternative_us"] = np.where(wall, where_us, fit["alternative_us"])
    return {"unexplained_echo": np.maximum(share - by_noise, 0.0), "stands": stands, "wall": wall}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag what stands there, and what may be the wall."""
    return {Flag.UNEXPECTED_ECHO: found["stands"], Flag.AMBIGUOUS: found["wall"]}


CHECK = Check(
    name="record_other",
    stage=Stage.FIT,
    evidence=evidence,
    judge=judge,
    applies=applies,
    keys=(MAX_BEFORE,),
    columns=(COLUMN,),
)
