"""What is wrong with a record as such, before any gate is placed; what can be mended is."""

from __future__ import annotations

import numpy as np

from ascan.arrays import AnyArray, BoolArray, FlagArray
from ascan.conditioning import working_type
from ascan.flags import Flag
from ascan.health.finite import check_finite
from ascan.health.frozen import check_frozen, equal_neighbours
from ascan.health.spikes import LEAST_PERIOD, mend_spikes
from ascan.kernels.jit import compiled, compiled_sums
from ascan.kernels.level import bits_of
from ascan.noise import float_steps
from ascan.recording import Recording

REPEATED = np.uint32(Flag.REPEATED)
# A record whose neighbouring codes are equal more often may be too quiet to differ from another.
QUIET_SHARE = 0.3
MIDDLE = (25.0, 50.0, 75.0)
# A constant offset below this part of full scale moves no threshold by much.
MOST_OFFSET = 0.01


def check_raw(
    block: AnyArray, recording: Recording, period: float, own_baseline: bool, flags: FlagArray
) -> tuple[AnyArray, AnyArray]:
    """Set the flags of a block's records; return it without offsets, and with its spikes mended.

    Parameters
    ----------
    block : ndarray, shape (n, samples), stored type
    period : float
        Of the probe's frequency, in samples.
    own_baseline : bool
        Whether what follows fits a baseline of its own: then offsets are left in.
    flags : ndarray, shape (n,)

    Notes
    -----
    Flags: ``NOT_FINITE`` (fatal), ``FROZEN``.
    """
    if block.dtype.kind == "f":
        check_finite(block, flags)
    if recording.gated_only or recording.peak_held:
        # Blanks and held peaks stand still.
        return block, block
    clips = (float(recording.clip_low), float(recording.clip_high))
    if not (recording.rectified or own_baseline):
        limit, shifted = MOST_OFFSET * recording.full_scale, np.empty_like(block)
        if take_offsets(block, recording.zero_code, clips, limit, recording.step, shifted):
            block = shifted
    check_frozen(block, float(recording.zero_code), clips, flags)
    if recording.rectified or period < LEAST_PERIOD:
        return block, block
    counts = np.empty(len(block), np.int64)
    mended = np.empty_like(block)
    room = np.empty(block.shape[1], working_type(recording.dtype))
    steps = np.full(len(block), float(recording.step))
    if block.dtype.kind == "f":
        float_steps(block, recording.step, steps)
    zero = float(recording.zero_code)
    found = mend_spikes(block, zero, clips, steps, room, bits_of(room), mended, counts)
    return block, np.where(counts[:, None] > 0, mended, block) if found else block


@compiled_sums
def sum_of(samples: AnyArray) -> float:
    """Return the sum of a record's codes."""
    total = 0.0
    for j in range(samples.size):
        total += samples[j]
    return total


@compiled
def take_offsets(
    block: AnyArray,
    zero: float,
    clips: tuple[float, float],
    limit: float,
    step: float,
    out: AnyArray,
) -> bool:
    """Write the block freed of the records' constant offsets; tell if one had any.

    No sound is constant: as much of a record lies above the code of ``zero`` as below, unless the
    receiver adds something. It is told where even the middle half lies on one side, and taken off
    where it exceeds ``limit`` codes; samples at a clipping level stay there, and no other is moved
    onto one; whole codes (``step`` 1) are moved by whole codes. ``out`` is complete only where one
    was found.
    """
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


def repeats(block: AnyArray, before: AnyArray | None) -> BoolArray:
    """Return which records are those before them, sample by sample.

    Parameters
    ----------
    block : ndarray, shape (n, samples), stored type
    before : ndarray, shape (samples,), optional
        The record ahead of the block.

    Notes
    -----
    Noise makes two measurements differ; records too quiet to show noise are never told.
    """
    same = np.zeros(len(block), np.bool_)
    same[1:] = (block[1:, 0] == block[:-1, 0]) & (block[1:, -1] == block[:-1, -1])
    same[0] = before is not None and before[0] == block[0, 0]
    for row in np.flatnonzero(same):
        other = block[row - 1] if row or before is None else before
        moves = equal_neighbours(block[row]) < QUIET_SHARE * block.shape[1]
        same[row] = moves and np.array_equal(block[row], other)
    return same
