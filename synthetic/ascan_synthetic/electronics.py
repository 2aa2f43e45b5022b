"""From a clean signal to stored codes: all that a receiver and digitiser add and take away.

Every function takes signals of shape (n, samples), 1.0 being full scale, and returns new ones.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ascan_synthetic.pulse import FloatArray

IntCodes = npt.NDArray[np.int8] | npt.NDArray[np.uint8] | npt.NDArray[np.int16]


def white_noise(shape: tuple[int, int], rms: float, rng: np.random.Generator) -> FloatArray:
    """Return white Gaussian noise of a given rms per sample."""
    return rng.standard_normal(shape, np.float32).astype(np.float64) * rms


def band_noise(
    shape: tuple[int, int],
    rms: float,
    band_mhz: tuple[float, float],
    sample_rate_mhz: float,
    rng: np.random.Generator,
) -> FloatArray:
    """Return Gaussian noise of a given rms per sample, flat inside a band and 0 outside."""
    frequency = np.fft.rfftfreq(shape[1], 1.0 / sample_rate_mhz)
    inside = (frequency >= band_mhz[0]) & (frequency <= band_mhz[1])
    inside &= (frequency > 0.0) & (frequency < 0.5 * sample_rate_mhz)
    spectrum = np.zeros((shape[0], frequency.size), np.complex128)
    size = (shape[0], int(inside.sum()))
    spectrum[:, inside] = rng.standard_normal(size) + 1j * rng.standard_normal(size)
    # Each kept bin adds 2 × 2 / samples² to the mean square of the signal.
    scale = rms * shape[1] / (2.0 * np.sqrt(inside.sum()))
    return np.asarray(scale * np.fft.irfft(spectrum, shape[1]))


def transmit_burst(
    time_us: FloatArray, centre_mhz: float, height: float, decay_us: float
) -> FloatArray:
    """Return the overload of the receiver by the transmit pulse at time 0, and its ring-down."""
    ringing = np.cos(2.0 * np.pi * centre_mhz * time_us) * np.exp(
        -np.maximum(time_us, 0.0) / decay_us
    )
    return np.where(time_us < 0.0, 0.0, height * ringing)


def time_gain(
    signal: FloatArray, time_us: FloatArray, db_per_us: float, from_us: float
) -> FloatArray:
    """Return the signal with a gain that grows from a time on."""
    return signal * 10.0 ** (db_per_us * np.maximum(time_us - from_us, 0.0) / 20.0)


def soft_clip(signal: FloatArray, level: float) -> FloatArray:
    """Return the signal through a stage that bends towards ± level."""
    return level * np.tanh(signal / level)


def baseline_wander(
    time_us: FloatArray, rows: int, height: float, period_us: float, rng: np.random.Generator
) -> FloatArray:
    """Return a slow sine of random phase in each row."""
    phase = rng.uniform(0.0, 2.0 * np.pi, (rows, 1))
    return height * np.sin(2.0 * np.pi * time_us / period_us + phase)


def spikes(
    shape: tuple[int, int], rate: float, height: float, rng: np.random.Generator
) -> FloatArray:
    """Return single-sample spikes of either sign: so many a row on average."""
    hit = rng.random(shape) < rate / shape[1]
    return np.where(hit, height * rng.choice([-1.0, 1.0], shape), 0.0)


def rectified(signal: FloatArray) -> FloatArray:
    """Return the size of the signal."""
    return np.abs(signal)


def peak_held(signal: FloatArray, samples: int) -> FloatArray:
    """Return the largest of the last ``samples`` samples of a rectified signal."""
    held = np.abs(signal)
    for shift in range(1, samples):
        held[:, shift:] = np.maximum(held[:, shift:], np.abs(signal[:, :-shift]))
    return held


def digitise(signal: FloatArray, bits: int, zero_code: int = 0) -> IntCodes:
    """Return codes of ``bits`` bits round a zero code; what lies beyond the rails clips.

    With zero code 0 the rails are −2^(bits−1) and 2^(bits−1) − 1, two's complement; with another
    zero code (2^(bits−1) as a rule) they are 0 and 2^bits − 1, and up to 8 bits uint8 is stored.
    """
    full_scale = 2 ** (bits - 1)
    low = -full_scale if zero_code == 0 else 0
    codes: FloatArray = np.clip(
        np.rint(signal * full_scale) + zero_code, low, low + 2 * full_scale - 1
    )
    if bits > 8:
        return codes.astype(np.int16)
    return codes.astype(np.uint8) if zero_code else codes.astype(np.int8)
