"""UNEVEN_ECHOES: the wall's second echo, where it is heard, does not follow where the first says.

An interval that begins with time zero or with the surface echo is told from one echo alone. The
next one must follow it by what the reading says of the wall; if it is heard and comes at another
time, the first was not the wall's, something lies ahead of it (coating, film, lost samples), or it
was timed on another half-cycle. Where the steps had second echoes, a wall of such a thickness
that has none is doubtful, too: its first was something else (an echo of the shot before, say), or
most of the sound went elsewhere.
"""

from __future__ import annotations

import numpy as np

from ascan.kernels.arrays import AnyArray, BoolArray, FloatArray, IntArray
from ascan.kernels.jit import compiled
from ascan.kernels.sums import dot

# It is sought so many periods to each side; half an echo is so many long.
SOUGHT_PERIODS, HALF_PERIODS = 6.0, 1.5
# Heard is what stands so far out of the noise, is this part of the first, and as like it as this.
SIGMAS, LEAST_SHARE, LEAST_LIKE = 8.0, 0.08, 0.75
# A crest with this share of the highest one's height may be the echo as well.
ALIKE = 0.95
# The second echo of a dual probe has another shape than its first, and is sought nearby only;
# between steps of a factor of 3 it is learned to a quarter of a period (aperture integral).
MOST_DUAL_PERIODS, DUAL_PERIODS = 0.25, 1.5
# So much must be there of what the steps beside a wall showed, beyond so many deviations of noise.
LEAST_OF_USUAL, NOISE_SIGMAS = 0.4, 5.0


@compiled
def highest_inside(sizes: FloatArray, margin: int, near: int) -> int:
    """Return the highest of those that none within ``near`` exceeds; of none, the middle.

    It lies further than ``margin`` from the ends. There they may go on growing: that is another
    echo, and ``near`` its length.
    """
    best, height = sizes.size // 2, 0.0
    for k in range(margin + 1, sizes.size - margin - 1):
        if sizes[k] > height and sizes[k] >= sizes[max(k - near, 0) : k + near + 1].max():
            best, height = k, sizes[k]
    return best


@compiled
def nearest_alike(sizes: FloatArray, highest: int, middle: int) -> int:
    """Return the crest nearest to ``middle`` of those about as high as the highest one.

    A half-cycle further on, an echo of a little other shape fits as well turned over.
    """
    best = highest
    for k in range(1, sizes.size - 1):
        crest = sizes[k] >= sizes[k - 1] and sizes[k] >= sizes[k + 1]
        if crest and sizes[k] >= ALIKE * sizes[highest] and abs(k - middle) < abs(best - middle):
            best = k
    return best


@compiled
def second_off(
    first: AnyArray, later: AnyArray, room: IntArray, noise: FloatArray, period: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return by how many samples each row's second echo is heard late, and its share of the first.

    Between them: by how many at least, where another half-cycle fits about as well. All of shape
    (n,): NaN where the search ends before it, the first two also where it is not heard.

    Parameters
    ----------
    first : ndarray, shape (n, 2 half + 1)
        Conditioned samples round the first echo.
    later : ndarray, shape (n, 2 half + 1 + 2 sought)
        Those round where the second one is due.
    room : ndarray, shape (n,), int64
        So many samples to each side of that the search may go (negative: no search).
    noise : ndarray, shape (n,)
        In codes.
    period : float
        In samples.
    """
    width = first.shape[1]
    sought = (later.shape[1] - width) // 2
    sizes = np.empty(2 * sought + 1)
    off, least = np.full(len(first), np.nan), np.full(len(first), np.nan)
    share = np.full(len(first), np.nan)
    for row in range(off.size):
        own = dot(first[row], first[row])
        reach = min(room[row], sought)
        if reach < 0.5 * period or not own > 0.0:
            continue
        # Another echo's flank beyond the reach shows its crest half a period further on.
        beyond = min(reach + int(0.5 * period) + 1, sought)
        for k in range(2 * beyond + 1):
            sizes[k] = abs(dot(first[row], later[row, sought - beyond + k :][:width]))
        highest = highest_inside(sizes[: 2 * beyond + 1], beyond - reach, width)
        best_lag = highest - beyond
        best = sizes[best_lag + beyond]
        share[row] = best / own
        piece = later[row, sought + best_lag : sought + best_lag + width]
        energy = dot(piece, piece)
        like = best / np.sqrt(max(own * energy, 1e-300))
        height, top = np.abs(piece).max(), np.abs(first[row]).max()
        heard = height > SIGMAS * noise[row] and height > LEAST_SHARE * top and like > LEAST_LIKE
        # Within less than a period, its time is not told from a neighbouring half-cycle's.
        if heard and reach >= period:
            off[row] = best_lag
            least[row] = nearest_alike(sizes[: 2 * beyond + 1], highest, beyond) - beyond
    return off, least, share


def is_missing(share: FloatArray, usual: FloatArray, snr_db: FloatArray) -> BoolArray:
    """Return which rows have far less of a second echo than the steps had, shape (n,).

    ``share`` is the second echo's of the first (NaN: not known), ``usual`` the least of the two
    steps that the wall lies between, ``snr_db`` the first echo's.
    """
    noise = NOISE_SIGMAS * 10.0 ** (-snr_db / 20.0)
    return np.asarray(share + noise < LEAST_OF_USUAL * usual)
