"""Waveforms as they are looked at before any procedure: shares of full scale, envelopes, rails."""

from __future__ import annotations

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.waveform.recording import Recording
from ascan.waveform.scan import Scan


def shares_of(scan: Scan, rows: AnyArray) -> FloatArray:
    """Return waveforms of some rows as shares of full scale; what is not finite is NaN."""
    recording = scan.recording
    found = scan.choose(rows).rows.read_block(0, len(rows)).astype(np.float64)
    out = (found - recording.zero_code) / recording.full_scale
    return np.where(np.isfinite(out), out, np.nan)


def envelope_of(samples: FloatArray) -> FloatArray:
    """Return the size of the analytic signal of each row."""
    from scipy.signal import hilbert

    return np.asarray(np.abs(hilbert(samples, axis=1)))


def rails_of(recording: Recording) -> tuple[float, float]:
    """Return where records clip, low and high, as shares of full scale; infinite: not known."""
    low, high = (
        (level - recording.zero_code) / recording.full_scale
        for level in (recording.clip_low, recording.clip_high)
    )
    return low, high
