"""What a receiver adds besides sound: a constant offset, a slowly wandering baseline."""

from __future__ import annotations

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.kernels.jit import compiled, compiled_sums
from ascan.kernels.sums import sum_of
from ascan.waveform.recording import Codes

MIDDLE = (25.0, 50.0, 75.0)
# A baseline is what is left of a record under a window so long: nothing of an echo of 60 % band.
WINDOW_PERIODS = 8.0
# So many places of it for each length of the window; straight lines between them.
PLACES = 4
NOISE_SIGMAS = 3.0


@compiled
def take_offsets(block: AnyArray, codes: Codes, limit: float, out: AnyArray) -> bool:
    """Write the block freed of the records' constant offsets; tell if one had any.

    No sound is constant: as much of a record lies above the code of ``zero`` as below, unless the
    receiver adds something. It is told where even the middle half lies on one side, and taken off
    where it exceeds ``limit`` codes; samples at a clipping level stay there, and no other is moved
    onto one; whole codes (``step`` 1) are moved by whole codes. ``out`` is complete only where one
    was found.
    """
    zero, clips, step = codes
    any_found = False
    for row in range(block.shape[0]):
        samples = block[row]
        offset = 0.0
        if abs(sum_of(samples) / samples.size - zero) > 0.5 * limit:
            low, middle, high = np.percentile(samples.astype(np.float64), MIDDLE) - zero
            offset = middle if low * high > 0.0 else 0.0
        if not abs(offset) > limit:
            if any_found:
                out[row] = samples
            continue
        if not any_found:
            out[:row] = block[:row]
            any_found = True
        low, high = clips[0] + step, clips[1] - step
        moved = np.rint(offset) if step >= 1.0 else offset
        for j in range(samples.size):
            out[row, j] = samples[j]
            if clips[0] < samples[j] < clips[1]:
                out[row, j] = min(max(samples[j] - moved, low), high)
    return any_found


def window_of(period: float) -> FloatArray:
    """Return the weights (Hann) under which a record's baseline is taken; of odd length."""
    half = PLACES * max(int(np.ceil(WINDOW_PERIODS * period / (2 * PLACES))), 1)
    return np.hanning(2 * half + 3)[1:-1]


@compiled
def take_baselines(
    block: AnyArray, codes: Codes, limit: float, window: FloatArray, out: AnyArray
) -> bool:
    """Write the block freed of baselines that wander by more than ``limit`` codes; tell if one did.

    A record whose means over a window's length stay within half the limit is left as it is. As for
    `take_offsets`, samples at a clipping level stay there, and no other is moved onto one.
    """
    zero, clips, step = codes
    any_found, samples_in = False, block.shape[1]
    half = window.size // 2
    apart = 2 * half // PLACES
    knots = np.empty(samples_in // apart + 2)
    averaged = np.sqrt(np.sum(window * window)) / np.sum(window)
    low, high = clips[0] + step, clips[1] - step
    for row in range(block.shape[0]):
        samples, moves = block[row], False
        for start in range(0, samples_in - window.size + 1, window.size):
            mean = sum_of(samples[start : start + window.size]) / window.size - zero
            moves = moves or abs(mean) > 0.5 * limit
        if moves:
            for k in range(knots.size):
                knots[k] = weighted_mean(samples, min(k * apart, samples_in - 1), window) - zero
            # A lone pulse on one side is no baseline: that moves all along the record, and by more
            # than noise moves a mean.
            sizes = np.abs(knots)
            usual = max(0.5 * limit, NOISE_SIGMAS * averaged * roughness(samples))
            moves = sizes.max() > limit and np.median(sizes) > usual
        if not moves:
            if any_found:
                out[row] = samples
            continue
        if not any_found:
            out[:row] = block[:row]
            any_found = True
        for j in range(samples_in):
            k = j // apart
            share = (j - k * apart) / apart
            base = knots[k] + share * (knots[k + 1] - knots[k])
            base = np.rint(base) if step >= 1.0 else base
            out[row, j] = samples[j]
            if clips[0] < samples[j] < clips[1]:
                out[row, j] = min(max(samples[j] - base, low), high)
    return any_found


@compiled_sums
def roughness(samples: AnyArray) -> float:
    """Return the standard deviation of white noise that would move a record as much."""
    total = 0.0
    for j in range(1, samples.size):
        step = np.float64(samples[j]) - np.float64(samples[j - 1])
        total += step * step
    return np.float64((0.5 * total / (samples.size - 1)) ** 0.5)


@compiled_sums
def weighted_mean(samples: AnyArray, middle: int, window: FloatArray) -> float:
    """Return the mean of a record under a window about one sample, cut off at its ends."""
    total, weight = 0.0, 0.0
    first = middle - window.size // 2
    for j in range(max(first, 0), min(first + window.size, samples.size)):
        total += window[j - first] * samples[j]
        weight += window[j - first]
    return total / weight
