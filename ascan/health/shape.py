"""UNLIKE_MODEL, of single echoes: an echo has another shape than the steps' echoes had.

A pit or a slope under part of the beam, roughness, an echo that runs into it, another probe, more
attenuation or dispersion than in the block: all change an echo's shape before they hide it.
"""

from __future__ import annotations

import numpy as np

from ascan.arrays import AnyArray, FlagArray, FloatArray
from ascan.flags import Flag
from ascan.kernels.jit import compiled
from ascan.kernels.sums import dot

UNLIKE = np.uint32(Flag.UNLIKE_MODEL)
# Told is what exceeds the usual misfit so many times, or is this much more, and so many times what
# noise adds; an echo's root mean square over one and a half periods to each side is about this part
# of its height.
USUAL, NOISE, ROOT_MEAN_SQUARE = 1.5, 2.0, 0.4


@compiled
def write_misfits(
    trace: AnyArray, position: FloatArray, shapes: AnyArray, misfit: FloatArray
) -> None:
    """Write what of each echo its usual shape leaves, as a share of its root mean square.

    Parameters
    ----------
    trace : ndarray, shape (n, width)
        Conditioned samples.
    position : ndarray, shape (n,)
        Times of the echoes, in samples of the trace; NaN where there is none.
    shapes : ndarray, shape (places + 1, size), of the trace's type
        The usual echo, laid out from half a sample early to half a sample late.
    misfit : ndarray, shape (n,)
        Out: the square root of 1 - c², c the correlation; NaN where the echo is not whole.
    """
    places, half = shapes.shape[0] - 1, shapes.shape[1] // 2
    for row in range(position.size):
        misfit[row] = np.nan
        if not np.isfinite(position[row]):
            continue
        whole = int(np.rint(position[row]))
        start = whole - half
        if start < 0 or start + shapes.shape[1] > trace.shape[1]:
            continue
        k = int(np.rint((position[row] - whole + 0.5) * places))
        echo, shape = trace[row, start : start + shapes.shape[1]], shapes[k]
        energy = dot(echo, echo) * dot(shape, shape)
        if energy > 0.0:
            product = dot(echo, shape)
            misfit[row] = np.sqrt(max(1.0 - product * product / energy, 0.0))


@compiled
def check_shape(
    misfit: FloatArray, usual: FloatArray, most: float, snr_db: FloatArray, flags: FlagArray
) -> None:
    """Flag rows that leave more than ``most`` beyond what the steps (``usual``) and noise do.

    ``usual`` is that of steps as thick as each row's wall, shape (n,).
    """
    for row in range(flags.size):
        noise = NOISE / ROOT_MEAN_SQUARE * 10.0 ** (-snr_db[row] / 20.0)
        if misfit[row] > np.sqrt(max(USUAL * usual[row], usual[row] + most) ** 2 + noise**2):
            flags[row] |= UNLIKE
