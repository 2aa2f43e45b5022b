"""What is wrong with a record as such, before any gate is placed; what can be mended is."""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.finite import check_finite
from ascan.checks.frozen import check_frozen, equal_neighbours
from ascan.kernels.arrays import AnyArray, BoolArray, FlagArray
from ascan.kernels.level import bits_of
from ascan.waveform.baseline import take_baselines, take_offsets, window_of
from ascan.waveform.conditioning import working_type
from ascan.waveform.noise import float_steps
from ascan.waveform.recording import Recording
from ascan.waveform.spikes import LEAST_PERIOD, mend_spikes

REPEATED = np.uint32(Flag.REPEATED)
# A record whose neighbouring codes are equal more often may be too quiet to differ from another.
QUIET_SHARE = 0.3
# An offset or baseline below this part of full scale moves no threshold by much.
MOST_OFFSET = 0.01


def check_raw(
    block: AnyArray, recording: Recording, period: float, baseline: str, flags: FlagArray
) -> tuple[AnyArray, AnyArray]:
    """Set the flags of a block's records; return it without offsets, and with its spikes mended.

    Parameters
    ----------
    block : ndarray, shape (n, samples), stored type
    period : float
        Of the probe's frequency, in samples.
    baseline : str
        What follows: ``fitted`` has its own baseline, and offsets are left in; ``filtered`` leaves
        none of a wandering one; ``kept`` would leave it, so it is taken off here.
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
    if not (recording.rectified or baseline == "fitted"):
        limit, shifted = MOST_OFFSET * recording.full_scale, np.empty_like(block)
        how = (recording.zero_code, clips, limit, recording.step)
        if take_offsets(block, *how, shifted):
            block, shifted = shifted, np.empty_like(block)
        if baseline == "kept" and take_baselines(block, *how, window_of(period), shifted):
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


def mirrored(block: AnyArray, recording: Recording) -> AnyArray:
    """Return records with the opposite polarity, in the same type and about the same zero."""
    other = 2.0 * recording.zero_code - block.astype(np.float64)
    if block.dtype.kind == "f":
        return np.ascontiguousarray(other.astype(block.dtype))
    limits = np.iinfo(block.dtype)
    return np.ascontiguousarray(np.rint(other).clip(limits.min, limits.max).astype(block.dtype))


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
