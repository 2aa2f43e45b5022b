"""OTHER_ECHO: an echo stands in the gate ahead of the timed one, or a larger one behind it.

Nothing comes back from sound metal before the back wall does, but for the beginning of its own
echo, which the steps have shown. An echo in front of it is a pit under
part of the beam, a lamination, grain, the wall itself where a later echo was timed; or it belongs
to the probe: what stood there on the steps is known and allowed for. Behind the wall's first echo
come its others, each lower than the one before: a larger one says that the timed one is not it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.shape import Sized, Usual
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray, IntArray
from ascan.kernels.jit import compiled
from ascan.kernels.level import largest

OTHER = np.uint32(Flag.OTHER_ECHO)
# Told is what exceeds so many times what stood there on the steps, the procedure's limit, and so
# many standard deviations of the noise (once in 10³ gates of 1000 samples).
USUAL, SIGMAS = 1.5, 4.5


class Beside(NamedTuple):
    """Largest half-cycle ahead of each echo over its own, and the largest behind it, shape (n,)."""

    ahead: FloatArray
    behind: FloatArray


@compiled
def take_off_forerunners(
    trace: AnyArray,
    position: FloatArray,
    peak: IntArray,
    reach: int,
    usual: Usual,
    sized: Sized,
) -> None:
    """Take off the trace what of each echo's own usual shape stands ahead of its reach.

    For as long again: further out the shape may hold what else the steps' records did.
    ``usual`` and ``sized`` as in `ascan.checks.shape.write_misfits`; the usual echo is whole.
    """
    shapes, drifts = usual
    height, share = sized
    places, half = shapes.shape[0] - 1, shapes.shape[1] // 2
    for row in range(peak.size):
        if height[row] == 0.0:
            continue
        whole = int(np.rint(position[row]))
        k = int(np.rint((position[row] - whole + 0.5) * places))
        begin = max(half - whole, half - 2 * reach, 0)
        for j in range(begin, min(peak[row] - reach - whole + half, 2 * half + 1)):
            own = shapes[k, j] + share[row] * drifts[k, j]
            trace[row, whole - half + j] -= height[row] * own


@compiled
def shares_beside(
    trace: AnyArray,
    bits: AnyArray,
    gate: tuple[IntArray, IntArray],
    peak: IntArray,
    reach: int,
    beside: Beside,
) -> None:
    """Write the largest half-cycle ahead of each echo over its own, and the largest behind it.

    0 where there is none.

    Parameters
    ----------
    trace, bits : ndarray, shape (n, width)
        Conditioned samples, and their bits.
    gate : pair of ndarray, shape (n,)
        First sample of the gate, and the one after its last, in the trace.
    peak : ndarray, shape (n,)
        Own peak of the echo; negative: none.
    reach : int
        So near, it is the echo itself.
    beside : Beside
        Out.
    """
    first, last = gate
    ahead, behind = beside
    for row in range(first.size):
        ahead[row], behind[row] = 0.0, 0.0
        if peak[row] < 0:
            continue
        samples, own = trace[row], abs(np.float64(trace[row, peak[row]]))
        if own > 0.0:
            ahead[row] = largest_size(samples, bits[row], first[row], peak[row] - reach) / own
            behind[row] = largest_size(samples, bits[row], peak[row] + reach, last[row]) / own


@compiled
def largest_size(samples: AnyArray, bits: AnyArray, start: int, stop: int) -> float:
    """Return the largest size of samples in start..stop, 0 of none; ``bits`` are theirs."""
    if stop <= start:
        return 0.0
    return abs(np.float64(samples[largest(bits, start, stop, 0)]))


@compiled
def check_others(
    beside: Beside,
    usual: tuple[FloatArray, float],
    most: tuple[float, float],
    snr_db: FloatArray,
    strength: FloatArray,
    flags: FlagArray,
) -> None:
    """Flag rows that hold more ahead or behind than ``most``, than on the steps, and than noise.

    ``usual`` is what the steps had ahead of such an echo, and behind it. Nothing should stand
    ahead: what does is noise or told. Behind stand later echoes, and noise comes on top of them. Of
    an echo lower than usual (``strength`` below 1) as much less is allowed ahead: coupling lowers
    both, a pit lowers the one and is the other.
    """
    ahead, behind = beside
    for row in range(flags.size):
        noise = SIGMAS * 10.0 ** (-snr_db[row] / 20.0)
        there = usual[0][row]
        most_ahead = max(most[0] * strength[row], USUAL * there, there + noise)
        most_behind = max(most[1], USUAL * usual[1]) + noise
        if ahead[row] > most_ahead or behind[row] > most_behind:
            flags[row] |= OTHER
