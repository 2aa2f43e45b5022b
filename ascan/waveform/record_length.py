"""Whether records are as long as they were said to be: one after another, they are alike."""

from __future__ import annotations

import numpy as np
from scipy.signal import correlate

from ascan.kernels.arrays import FloatArray
from ascan.waveform.scan import Scan

# So many samples are looked at, of so many records at least; shorter records are not sought.
MOST_SAMPLES, FEWEST_RECORDS, SHORTEST = 1 << 20, 4, 32
# Records in a row are alike by this share of their energy; a length that makes them so by less than
# the second share of what another length does is not theirs. Three records on they are nearly as
# alike; echoes of one wall, which follow one another as evenly, die away.
ALIKE, LESS, LASTING = 0.6, 0.5, 0.8
# A length that is a whole part of the stated one makes them as alike as that, but for this.
AS_ALIKE, MOST_PARTS = 0.93, 8
# Of a wall that slopes, echoes fall on echoes a little off a record's length.
SLOPING = 0.05


def length_in_sight(scan: Scan) -> int | None:
    """Return how many samples a record seems to have, where that differs from what was stated.

    All samples are laid one after another and shifted against themselves: where the shift is a
    record, its echoes fall on those of the next. None where that says nothing else.
    """
    rows, samples = scan.shape
    count = min(rows, max(MOST_SAMPLES // samples, 1))
    block = scan.rows.read_block(0, count).astype(np.float64)
    flat = np.nan_to_num(block - scan.recording.zero_code, posinf=0.0, neginf=0.0).ravel()
    flat = flat - flat.mean()
    most = flat.size // FEWEST_RECORDS
    if count < FEWEST_RECORDS // 2 or most < SHORTEST or not flat.any():
        return None
    like = _likeness(flat, max(3 * most, samples) + 1)
    own = like[samples] if samples < like.size else 0.0
    for parts in range(MOST_PARTS, 1, -1):
        part, rest = divmod(samples, parts)
        if not rest and part >= SHORTEST and own > ALIKE and like[part] > AS_ALIKE * own:
            return part
    best = SHORTEST + int(np.argmax(like[SHORTEST : most + 1]))
    lasts = like[best] > ALIKE and like[3 * best] > LASTING * like[best]
    off = abs(best - samples * max(round(best / samples), 1))
    slopes = 1 < off < SLOPING * samples
    return best if lasts and own < LESS * like[best] and not slopes else None


def _likeness(flat: FloatArray, lags: int) -> FloatArray:
    """Return how like samples are to those ``lag`` later, from lag 0 on: 1 is the same."""
    sums = correlate(flat, flat[: flat.size], method="fft")[flat.size - 1 :][:lags]
    energy = np.concatenate([[0.0], np.cumsum(flat**2)])
    lag = np.arange(sums.size)
    first, last = energy[flat.size - lag], energy[-1] - energy[lag]
    return np.asarray(sums / np.maximum(np.maximum(first, last), 1e-300))
