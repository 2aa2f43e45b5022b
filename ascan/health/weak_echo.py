"""WEAK_ECHO: the wall's echo is far lower than it was on the steps at such a depth.

The flank of a pit, a rough or tilted back wall send most of the sound elsewhere, and what does come
back says where the wall happens to face the probe, not where it is thinnest. Behind a surface echo
the two are compared, which leaves gain and coupling out; without one, lost couplant does it, too.
"""

from __future__ import annotations

import numpy as np

from ascan.arrays import FloatArray
from ascan.kernels.jit import compiled


@compiled
def share_of_usual(
    strength: FloatArray,
    thickness: FloatArray,
    steps: tuple[float, float],
    usual: tuple[float, float],
) -> FloatArray:
    """Return each strength over what it was on the steps at such a depth, shape (n,).

    Parameters
    ----------
    strength, thickness : ndarray, shape (n,)
        Height of the wall's echo, over the surface echo's where there is one.
    steps, usual : tuple of float
        Thinnest and thickest step, and the strength on each; between them its logarithm is
        straight.
    """
    low, high = np.log(usual[0]), np.log(usual[1])
    span = max(steps[1] - steps[0], 1e-9)
    shares = np.empty_like(strength)
    for row in range(strength.size):
        share = min(max((thickness[row] - steps[0]) / span, 0.0), 1.0)
        shares[row] = strength[row] / np.exp(low + share * (high - low))
    return shares
