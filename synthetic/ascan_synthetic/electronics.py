"""From a clean signal to stored codes: noise, gain, clipping, quantisation."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ascan_synthetic.pulse import FloatArray

IntCodes = npt.NDArray[np.int8] | npt.NDArray[np.int16]


def add_noise(signal: FloatArray, rms: float, rng: np.random.Generator) -> FloatArray:
    """Return the signal with white Gaussian noise of a given rms."""
    return signal + rng.normal(0.0, rms, signal.shape) if rms > 0.0 else signal


def digitise(signal: FloatArray, bits: int, offset: float = 0.0) -> IntCodes:
    """Return codes of ``bits`` bits: 1.0 is full scale, what lies beyond the rails clips.

    The rails are −2^(bits−1) and 2^(bits−1) − 1, as those of any two's-complement converter.
    """
    full_scale = 2 ** (bits - 1)
    codes = np.rint((signal + offset) * full_scale)
    clipped: FloatArray = np.clip(codes, -full_scale, full_scale - 1)
    return clipped.astype(np.int8) if bits <= 8 else clipped.astype(np.int16)


def transmit_burst(
    sample_rate_mhz: float, start_us: FloatArray, samples: int, centre_mhz: float, decay_us: float
) -> FloatArray:
    """Return the overload of the receiver by the transmit pulse and its ring-down, (n, samples)."""
    time = start_us[:, None] + np.arange(samples) / sample_rate_mhz
    ringing = np.cos(2.0 * np.pi * centre_mhz * time) * np.exp(-np.maximum(time, 0.0) / decay_us)
    return np.where(time < 0.0, 0.0, 4.0 * ringing)
