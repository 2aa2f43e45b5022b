"""WEAK_ECHO, LOW_SNR and OTHER_ECHO, of layered records: how high the first wall echo stands.

Over the interface echo, against what it was on the steps, and over what the fit leaves.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.checks.low_snr import LEAST_SNR_DB
from ascan.checks.weak_echo import LEAST_STRENGTH, MOST_STRENGTH
from ascan.path.modes import Layout


def applies(layout: Layout) -> bool:
    """Tell that it is of layered records."""
    return layout.fit_judges_itself


def evidence(seen: CheckInput) -> Evidence:
    """Return the first wall echo over its usual height, and its top over what is left."""
    fit = seen.fit
    return {"strength": fit["strength"], "snr_db": 20.0 * np.log10(fit["peak"] / fit["left"])}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag what is too weak, and what is too strong."""
    strength = found["strength"]
    return {
        Flag.WEAK_ECHO: strength < seen.limit(LEAST_STRENGTH.name),
        Flag.OTHER_ECHO: strength > seen.limit(MOST_STRENGTH.name),
        Flag.LOW_SNR: found["snr_db"] < seen.limit(LEAST_SNR_DB.name),
    }


CHECK = Check(
    name="record_strength",
    stage=Stage.FIT,
    evidence=evidence,
    judge=judge,
    applies=applies,
    keys=(LEAST_STRENGTH, MOST_STRENGTH, LEAST_SNR_DB),
)
