"""What of a record can be mended before any gate is placed: offsets, a baseline, lone samples."""

from __future__ import annotations

import numpy as np

from ascan.kernels.arrays import AnyArray
from ascan.kernels.level import bits_of
from ascan.waveform.baseline import take_baselines, take_offsets, window_of
from ascan.waveform.conditioning import working_type
from ascan.waveform.noise import float_steps
from ascan.waveform.recording import Recording
from ascan.waveform.spikes import LEAST_PERIOD, mend_spikes

# An offset or baseline below this part of full scale moves no threshold by much.
MOST_OFFSET = 0.01


def without_offsets(
    block: AnyArray, recording: Recording, period: float, baseline: str
) -> AnyArray:
    """Return a block, shape (n, samples), whose records lie about the code of zero.

    Parameters
    ----------
    period : float
        Of the probe's frequency, in samples.
    baseline : str
        What follows: ``fitted`` has its own baseline, and offsets are left in; ``filtered`` leaves
        none of a wandering one; ``kept`` would leave it, so it is taken off here.
    """
    held = recording.gated_only or recording.peak_held
    if held or recording.rectified or baseline == "fitted":
        return block
    limit, shifted = MOST_OFFSET * recording.full_scale, np.empty_like(block)
    if take_offsets(block, recording.codes, limit, shifted):
        block, shifted = shifted, np.empty_like(block)
    window = window_of(period)
    if baseline == "kept" and take_baselines(block, recording.codes, limit, window, shifted):
        block = shifted
    return block


def without_spikes(block: AnyArray, recording: Recording, period: float) -> AnyArray:
    """Return a block in which lone samples are mended; the block itself where there are none."""
    held = recording.gated_only or recording.peak_held
    if held or recording.rectified or period < LEAST_PERIOD:
        return block
    counts = np.empty(len(block), np.int64)
    mended = np.empty_like(block)
    room = np.empty(block.shape[1], working_type(recording.dtype))
    steps = np.full(len(block), float(recording.step))
    if block.dtype.kind == "f":
        float_steps(block, recording.step, steps)
    found = mend_spikes(block, recording.codes, steps, (room, bits_of(room)), mended, counts)
    return np.where(counts[:, None] > 0, mended, block) if found else block


def mirrored(block: AnyArray, recording: Recording) -> AnyArray:
    """Return records with the opposite polarity, in the same type and about the same zero."""
    other = 2.0 * recording.zero_code - block.astype(np.float64)
    if block.dtype.kind == "f":
        return np.ascontiguousarray(other.astype(block.dtype))
    limits = np.iinfo(block.dtype)
    return np.ascontiguousarray(np.rint(other).clip(limits.min, limits.max).astype(block.dtype))
