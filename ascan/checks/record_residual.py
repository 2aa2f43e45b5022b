"""SHAPE_MISMATCH, of whole records: a fit leaves more than noise does, or than on the steps."""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.kernels.arrays import FloatArray
from ascan.kernels.jit import compiled
from ascan.path.modes import Layout

# What is left may be so many times the noise, or this part of the back-wall echo's height.
MOST_LEFT, MOST_LEFT_SHARE = 2.0, 0.03
# A record may leave so many times what the steps beside it left: a model that does not hold for the
# probe speaks against no wall.
OF_USUAL = 1.5


@compiled
def most_left(noise: float, height: float, top: float, usual: float) -> float:
    """Return what a fit may leave of one record, in codes.

    Parameters
    ----------
    noise : float
        Of the record, in codes.
    height, top : float
        Of the wall's first echo, in codes; largest half-cycle of its shape.
    usual : float
        What the fit left of the steps beside it, over their first echo's height.
    """
    share = max(MOST_LEFT_SHARE * top, OF_USUAL * usual)
    return max(MOST_LEFT * noise, share * abs(height))


@compiled
def write_most_left(
    noise: FloatArray, height: FloatArray, top: FloatArray, usual: FloatArray, out: FloatArray
) -> None:
    """Write what a fit may leave of each record, shape (n,)."""
    for row in range(out.size):
        out[row] = most_left(noise[row], height[row], top[row], usual[row])


def applies(layout: Layout) -> bool:
    """Tell that it is of whole records."""
    return layout.of_whole_record


def evidence(seen: CheckInput) -> Evidence:
    """Return what each fit leaves, and what it may."""
    fit = seen.fit
    most = np.empty(fit["left"].size)
    write_most_left(fit["noise"], fit["height"], fit["top"], fit["usual_left"], most)
    return {"left": fit["left"], "most": np.where(np.isfinite(fit["height"]), most, np.nan)}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag what leaves more."""
    return {Flag.SHAPE_MISMATCH: found["left"] > found["most"]}


CHECK = Check(
    name="record_residual", stage=Stage.FIT, evidence=evidence, judge=judge, applies=applies
)
