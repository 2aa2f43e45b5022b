"""WEAK_ECHO: the wall's echo is far lower than it was on the steps at such a depth.

The flank of a pit, a rough or tilted back wall send most of the sound elsewhere, and what does come
back says where the wall happens to face the probe, not where it is thinnest. Behind a surface echo
the two are compared, which leaves gain and coupling out; without one, lost couplant does it, too.
"""

from __future__ import annotations

import numpy as np

from ascan.arrays import FloatArray


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
