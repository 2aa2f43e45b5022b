"""How likely a value is wrong, by the marks that stand on it and by its likeliest alternative.

Each cause of a wrong value works by itself: a value is right if none of them holds.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.kernels.arrays import FlagArray, FloatArray

# The share of wrong values of which a mark is the cause, where it stands: the likeliest shares on
# synthetic signals, ordinary work and what misleads in equal numbers (`benches/verdict.py --shares`
# fits them, its reliability table holds them against other signals). A mark that no bench raised
# counts as the middle of the others.
OTHER_SHARE = 0.2
SHARES: dict[Flag, float] = {
    Flag.LOW_SNR: 0.17,
    Flag.AT_GATE_EDGE: 0.73,
    Flag.OUTSIDE_CALIBRATED_RANGE: 0.24,
    Flag.UNEVEN_SPACING: 0.56,
    Flag.MULTIPLE_SUSPECTED: 0.39,
    Flag.CYCLE_UNCERTAIN: 0.21,
    Flag.CALIBRATION_IN_DOUBT: 0.23,
    Flag.UPPER_BOUND: 0.53,
    Flag.SHAPE_MISMATCH: 0.08,
    Flag.RECORD_STUCK: 0.04,
    Flag.RECORD_DUPLICATE: 1.0,
    Flag.INTERFACE_SHIFTED: 0.2,
    Flag.UNEXPECTED_ECHO: 0.11,
    Flag.WEAK_ECHO: 0.044,
    Flag.GATE_CUT_SHORT: 0.32,
    Flag.OUTSIDE_MEASURING_RANGE: OTHER_SHARE,
    Flag.INTERFACE_MULTIPLE: OTHER_SHARE,
    Flag.SECOND_DISAGREES: 0.15,
}
# Of values without a mark or an alternative so many are wrong.
UNTOLD = 0.0006
# Of those whose alternative is as likely, so many; odds rest on models, and count for half.
EVEN, ODDS_COUNT = 0.05, 0.5


def p_wrong(flags: FlagArray, alternative_odds: FloatArray) -> FloatArray:
    """Return the probability that a reading's value is wrong, shape (n,).

    Parameters
    ----------
    flags : ndarray, shape (n,)
    alternative_odds : ndarray, shape (n,)
        Twice the log odds against the likeliest alternative; infinite where there is none.

    Notes
    -----
    1 - (1 - untold) Π (1 - share), over the marks that stand and the alternative. Wrong as
    `ascan.survey.wrong` has it. It hangs on how often something misleads: where that is a tenth of
    what the shares rest on, so is every small probability.
    """
    odds = np.maximum(np.nan_to_num(alternative_odds, nan=np.inf), 0.0)
    right = (1.0 - UNTOLD) * (1.0 - EVEN * np.exp(-0.5 * ODDS_COUNT * odds))
    for flag, share in SHARES.items():
        right = np.where(flags & np.uint32(flag) != 0, (1.0 - share) * right, right)
    return np.asarray(1.0 - right)
