"""Lone samples that no pulse of the probe's band can make, mended.

At eight samples a period and more, a band-limited signal is smooth from sample to sample: its
fourth difference is a hundredth of its height. A spike stands out of it, and leaves the pattern
1, −4, 6, −4, 1 there. It is replaced by the cubic through its neighbours, which is the record's own
value within a few percent of the echo's height.
"""

from __future__ import annotations

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray, IntArray
from ascan.kernels.jit import compiled, compiled_sums
from ascan.kernels.level import largest
from ascan.waveform.recording import Codes

LEAST_PERIOD = 8.0
# Against the mean of its record's fourth differences (white noise: once in 10⁹ samples), in codes,
# and against the height of what is beside it: a measured interface echo of 12 samples a period and
# with harmonics bends by a fifth of its height.
STANDS_OUT, LEAST_CODES, LEAST_SHARE = 8.0, 3.0, 0.3
# What the sample before and the one after show of the pattern: two thirds, turned over.
LOWEST, HIGHEST = 0.4, 0.95
BESIDE = 4


@compiled_sums
def fourth_differences(samples: AnyArray, out: AnyArray, bits: AnyArray) -> tuple[float, float]:
    """Write the fourth difference on every sample (0 at the ends); return mean and largest size.

    ``bits`` are those of ``out``: the largest is sought among whole numbers, many at a time.
    """
    kind = out.dtype.type
    size = samples.size
    out[:2] = kind(0.0)
    out[size - 2 :] = kind(0.0)
    inner, before, after = out[2 : size - 2], samples[1 : size - 3], samples[3 : size - 1]
    first, here, last = samples[: size - 4], samples[2 : size - 2], samples[4:]
    for j in range(inner.size):
        sides = kind(before[j]) + kind(after[j])
        inner[j] = kind(first[j]) + kind(last[j]) - kind(4.0) * sides + kind(6.0) * kind(here[j])
    total = kind(0.0)
    for j in range(inner.size):
        total += abs(inner[j])
    top = largest(bits, 0, size, 0)
    return np.float64(total) / size, abs(np.float64(out[top]))


@compiled
def is_spike(samples: AnyArray, zero: float, bend: AnyArray, at: int) -> bool:
    """Tell whether the bend of a record on a sample is that of a spike."""
    own = np.float64(bend[at])
    for j in (at - 1, at + 1):
        share = -np.float64(bend[j]) / own
        if not LOWEST < share < HIGHEST:
            return False
    beside = 0.0
    for j in range(max(at - BESIDE, 0), min(at + BESIDE + 1, samples.size)):
        if j != at:
            beside = max(beside, abs(np.float64(samples[j]) - zero))
    return bool(abs(own) / 6.0 > LEAST_SHARE * beside)


@compiled
def mend_spikes(
    block: AnyArray,
    codes: Codes,
    steps: FloatArray,
    room: tuple[AnyArray, AnyArray],
    mended: AnyArray,
    counts: IntArray,
) -> bool:
    """Write each row's spikes' number, and the rows that have any, mended; tell if one has.

    Parameters
    ----------
    block : ndarray, shape (n, samples), stored type
    codes : Codes
        Within two samples of one that touches a clipping level nothing is called a spike.
    steps : ndarray, shape (n,)
        Least difference of two codes of each row.
    room : pair of ndarray, shape (samples,), working type
        Room, and its bits.
    mended : ndarray, shape (n, samples)
        Overwritten where ``counts`` is above 0.
    counts : ndarray, shape (n,), int64
    """
    zero, clips, _ = codes
    bend, bits = room
    any_found = False
    for row in range(block.shape[0]):
        samples = block[row]
        counts[row] = 0
        mean, most = fourth_differences(samples, bend, bits)
        limit = max(STANDS_OUT * mean, 6.0 * LEAST_CODES * steps[row])
        if not most > limit:
            continue
        for j in range(3, samples.size - 3):
            if not abs(bend[j]) > limit:
                continue
            near = samples[j - 2 : j + 3]
            if not (clips[0] < near.min() and near.max() < clips[1]):
                continue
            if not is_spike(samples, zero, bend, j):
                continue
            if counts[row] == 0:
                mended[row] = samples
            counts[row] += 1
            any_found = True
            value = np.float64(samples[j]) - np.float64(bend[j]) / 6.0
            mended[row, j] = value if steps[row] < 1.0 else np.rint(value)
    return any_found
