"""WEAK_ECHO: the wall's echo is far lower than it was on the steps at such a depth.

The flank of a pit, a rough or tilted back wall send most of the sound elsewhere, and what does come
back says where the wall happens to face the probe, not where it is thinnest. Behind a surface echo
the two are compared, which leaves gain and coupling out; without one, lost couplant does it, too.
"""

from __future__ import annotations

import numpy as np

from ascan.arrays import FlagArray, FloatArray
from ascan.flags import Flag
from ascan.kernels.jit import compiled

WEAK = np.uint32(Flag.WEAK_ECHO)
# What is left of the usual height, against the surface echo and alone. Half (6 dB) is what
# beam-wide reflectors are sized by (common practice); coupling alone changes by 4 dB and more.
LEAST_OF_SURFACE, LEAST_ALONE = 0.5, 0.35


@compiled
def check_strength(
    strength: FloatArray,
    thickness: FloatArray,
    steps: tuple[float, float],
    usual: tuple[float, float],
    least: float,
    flags: FlagArray,
) -> None:
    """Flag rows whose strength is below ``least`` of what it was on the steps.

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
    for row in range(flags.size):
        share = min(max((thickness[row] - steps[0]) / span, 0.0), 1.0)
        if strength[row] < least * np.exp(low + share * (high - low)):
            flags[row] |= WEAK
