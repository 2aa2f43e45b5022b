"""Zero-phase band-pass: its taps (numpy) and the loop that applies them (compiled)."""

from __future__ import annotations

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.kernels.jit import compiled

# Width of a Hamming-windowed transition, in units of sample rate / number of taps.
HAMMING_TRANSITION = 3.3
# A Gaussian is cut where it has fallen to a three-thousandth.
GAUSSIAN_WIDTHS = 4.0
# σ of a Gaussian pulse in periods is this over its fractional bandwidth at half amplitude:
# √(2 ln 2) / π, from the transform of a Gaussian.
SIGMA_OVER_BANDWIDTH = float(np.sqrt(2.0 * np.log(2.0)) / np.pi)
# No filter is made longer than this on one side, whatever is asked for.
LONGEST = 10_000


def band_pass_taps(sample_rate_mhz: float, low_mhz: float, high_mhz: float) -> FloatArray:
    """Return the taps of a zero-phase band-pass from the middle one outwards.

    Windowed sinc (Hamming) whose lower transition is as wide as ``low_mhz``, so that a constant
    is rejected; it is rejected exactly, the window taking up the remainder. Gain is 1 at the
    geometric mean of the two edges.

    Parameters
    ----------
    sample_rate_mhz, low_mhz, high_mhz : float
        0 < low < high < sample rate / 2, in MHz.

    Returns
    -------
    taps : ndarray, shape (k + 1,), float64
        ``taps[i]`` weighs the samples i before and i after; the whole filter has 2 k + 1.

    References
    ----------
    Window method and the transition width 3.3 / N of the Hamming window: any text on digital
    filters (common practice); checked against ``scipy.signal.firwin`` in the tests.
    """
    half = int(np.ceil(min(0.5 * HAMMING_TRANSITION * sample_rate_mhz / low_mhz, LONGEST)))
    place = np.arange(half + 1)
    window = 0.54 + 0.46 * np.cos(np.pi * place / half)
    low, high = low_mhz / sample_rate_mhz, high_mhz / sample_rate_mhz
    taps = 2.0 * (high * np.sinc(2.0 * high * place) - low * np.sinc(2.0 * low * place)) * window
    twice = np.where(place == 0, 1.0, 2.0)
    taps -= window * (twice @ taps) / (twice @ window)
    centre = np.sqrt(low * high)
    gain = (twice * np.cos(2.0 * np.pi * centre * place)) @ taps
    return np.asarray(taps / gain)


def gaussian_taps(sample_rate_mhz: float, centre_mhz: float, bandwidth_mhz: float) -> FloatArray:
    """Return the taps of a zero-phase Gaussian band-pass from the middle one outwards.

    Gain is 1 at ``centre_mhz`` and ½ half a ``bandwidth_mhz`` to each side (−6 dB); a constant is
    rejected exactly, its envelope taking up the remainder.

    References
    ----------
    The transform of a Gaussian of width σ in time is one of width 1 / (2π σ) in frequency; half
    height at √(2 ln 2) of a width.
    """
    sigma = SIGMA_OVER_BANDWIDTH / bandwidth_mhz * sample_rate_mhz
    half = int(np.ceil(min(GAUSSIAN_WIDTHS * sigma, LONGEST)))
    place = np.arange(half + 1)
    window = np.exp(-0.5 * (place / sigma) ** 2)
    wave = np.cos(2.0 * np.pi * centre_mhz / sample_rate_mhz * place)
    taps = window * wave
    twice = np.where(place == 0, 1.0, 2.0)
    taps -= window * (twice @ taps) / (twice @ window)
    return np.asarray(taps / ((twice * wave) @ taps))


@compiled
def apply_symmetric(padded: AnyArray, taps: AnyArray, out: AnyArray) -> None:
    """Filter ``padded`` (len(out) + 2 k samples) with symmetric taps into ``out``.

    Tap by tap over the whole row: each output is summed in one fixed order (so a shifted row gives
    shifted results to the last bit) while the inner loop still fills the vector unit.
    """
    half = taps.size - 1
    count = out.size
    middle = padded[half : half + count]
    for j in range(count):
        out[j] = taps[0] * middle[j]
    # Two taps a pass: half the traffic to ``out``.
    for i in range(1, half, 2):
        near, far = taps[i], taps[i + 1]
        near_before = padded[half - i : half - i + count]
        near_after = padded[half + i : half + i + count]
        far_before = padded[half - i - 1 : half - i - 1 + count]
        far_after = padded[half + i + 1 : half + i + 1 + count]
        for j in range(count):
            out[j] += near * (near_before[j] + near_after[j]) + far * (far_before[j] + far_after[j])
    if half % 2 == 1:
        last_before, last_after = padded[:count], padded[2 * half : 2 * half + count]
        for j in range(count):
            out[j] += taps[half] * (last_before[j] + last_after[j])


def whole_taps(taps: AnyArray) -> AnyArray:
    """Return all taps of a symmetric filter, given from the middle one outwards."""
    return np.concatenate([taps[:0:-1], taps])
