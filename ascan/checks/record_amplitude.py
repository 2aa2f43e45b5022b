"""WEAK_ECHO, LOW_SNR and UNEXPECTED_ECHO, of layered records: height of the first wall echo.

Over the interface echo, against what it was on the steps, and over what the fit leaves.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.checks.low_snr import MIN_SNR_DB
from ascan.checks.weak_echo import MAX_AMPLITUDE, MIN_AMPLITUDE
from ascan.path.modes import Layout


def applies(layout: Layout) -> bool:
    """Tell that it is of layered records."""
    return layout.fit_judges_itself


def evidence(seen: CheckInput) -> Evidence:
    """Return the first back-wall echo over its usual height, and its top over what is left."""
    fit = seen.fit
    snr_db = 20.0 * np.log10(fit["peak"] / fit["left"])
    return {"relative_amplitude": fit["relative_amplitude"], "snr_db": snr_db}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag what is too weak, and what is too strong."""
    relative = found["relative_amplitude"]
    return {
        Flag.WEAK_ECHO: relative < seen.limit(MIN_AMPLITUDE.name),
        Flag.UNEXPECTED_ECHO: relative > seen.limit(MAX_AMPLITUDE.name),
        Flag.LOW_SNR: found["snr_db"] < seen.limit(MIN_SNR_DB.name),
    }


CHECK = Check(
    name="record_amplitude",
    stage=Stage.FIT,
    evidence=evidence,
    judge=judge,
    applies=applies,
    keys=(MIN_AMPLITUDE, MAX_AMPLITUDE, MIN_SNR_DB),
)
