"""SHAPE_MISMATCH, of whole records: a fit leaves more than noise does, or than on the steps.

A fit that says what it leaves of the wall's own echo is judged by that (`shape_mismatch`): what
grain leaves all over its record moves no time.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.path.modes import Layout

# What is left may be so many times the noise, or this part of the back-wall echo's height.
MOST_LEFT, MOST_LEFT_SHARE = 2.0, 0.045
# Under a dual probe, whose record is a model's of two apertures, somewhat more.
MOST_LEFT_DUAL = 0.06
# A record that is late as a whole is taken for that where it leaves no more than this.
MOST_LEFT_FREED = 0.1
# A record may leave so many times what the steps beside it left: a model that does not hold for the
# probe speaks against no wall.
OF_USUAL = 1.5


def applies(layout: Layout) -> bool:
    """Tell that it is of whole records."""
    return layout.of_whole_record


def evidence(seen: CheckInput) -> Evidence:
    """Return what each fit leaves, and what it may."""
    fit = seen.fit
    if "shape_residual" in fit:
        return {}
    least = MOST_LEFT_DUAL if seen.layout.is_dual else MOST_LEFT_SHARE
    share = np.maximum(least * fit["top"], OF_USUAL * fit["usual_left"])
    most = np.maximum(MOST_LEFT * fit["noise"], share * np.abs(fit["height"]))
    return {"left": fit["left"], "most": np.where(np.isfinite(fit["height"]), most, np.nan)}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag what leaves more."""
    return {Flag.SHAPE_MISMATCH: found["left"] > found["most"]} if found else {}


CHECK = Check(
    name="record_residual", stage=Stage.FIT, evidence=evidence, judge=judge, applies=applies
)
