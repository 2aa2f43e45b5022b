"""WEAK_ECHO: the wall's echo is far lower than it was on the steps at such a depth.

The flank of a pit, a rough or tilted back wall send most of the sound elsewhere, and what does come
back says where the wall happens to face the probe, not where it is thinnest. Behind a surface echo
the two are compared, which leaves gain and coupling out; without one, lost couplant does it, too,
and more is allowed of an echo whose shape is as on the steps: coupling leaves that.
"""

from __future__ import annotations

import numpy as np

from ascan.checks.shape import ROOT_MEAN_SQUARE
from ascan.kernels.arrays import BoolArray, FloatArray

# An echo is changed that leaves so much of the steps' mean one, over its root mean square, beyond
# what noise and the steps do: sound walls between four steps leave 0.045 in 99 of 100 (aperture
# integral), pits that take three tenths of the beam 0.05 and more.
CHANGED = 0.04


def share_of_usual(
    strength: FloatArray, thickness_mm: FloatArray, steps_mm: FloatArray, usual: FloatArray
) -> FloatArray:
    """Return each strength over what it was on the steps at such a depth, shape (n,).

    Parameters
    ----------
    strength, thickness_mm : ndarray, shape (n,)
        Height of the wall's echo, over the surface echo's where there is one.
    steps_mm, usual : ndarray, shape (steps,)
        Steps, rising, and the strength on each; between two its logarithm is straight, beyond
        them it stays.
    """
    return np.asarray(strength / np.exp(np.interp(thickness_mm, steps_mm, np.log(usual))))


def is_changed(misfit: FloatArray, usual: FloatArray, snr_db: FloatArray) -> BoolArray:
    """Return which echoes have another shape than the steps' by more than noise, shape (n,).

    ``misfit`` is what the steps' mean echo leaves, ``usual`` what it left of steps as thick; NaN
    where it is not known, which is no change.
    """
    noise = 10.0 ** (-snr_db / 20.0) / ROOT_MEAN_SQUARE
    return np.asarray(misfit**2 > usual**2 + noise**2 + CHANGED**2)
