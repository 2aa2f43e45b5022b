"""The band-pass: against scipy's window method, and the properties the engine relies on."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import firwin

from ascan.base.errors import AscanError
from ascan.kernels.fir import band_pass_taps
from ascan.waveform.conditioning import MARGIN, Filter, condition_rows


def whole(taps: np.ndarray) -> np.ndarray:
    return np.concatenate([taps[:0:-1], taps])


def gain(taps: np.ndarray, rate: float, frequency_mhz: np.ndarray) -> np.ndarray:
    place = np.arange(1 - taps.size, taps.size)
    return np.cos(2.0 * np.pi * np.outer(frequency_mhz / rate, place)) @ whole(taps)


@pytest.mark.parametrize(
    ("rate", "low", "high"), [(60.0, 2.0, 8.0), (100.0, 2.0, 8.0), (50.0, 4.0, 12.0)]
)
def test_like_scipy_but_for_the_constant(rate: float, low: float, high: float) -> None:
    """Same window method; ours also rejects a constant exactly, which moves taps by < 1 % of h₀."""
    taps = band_pass_taps(rate, low, high)
    theirs = firwin(2 * taps.size - 1, [low, high], fs=rate, pass_zero=False, window="hamming")
    centre = np.sqrt(low * high)
    ratio = (
        gain(taps, rate, np.array([centre]))[0]
        / gain(theirs[taps.size - 1 :], rate, np.array([centre]))[0]
    )
    assert whole(taps) == pytest.approx(ratio * theirs, abs=0.01 * taps[0])


def test_constant_is_rejected_and_centre_passes() -> None:
    taps = band_pass_taps(60.0, 2.0, 8.0)
    response = gain(taps, 60.0, np.array([0.0, 4.0, 1.0, 14.0]))
    assert response[0] == pytest.approx(0.0, abs=1e-12)
    assert response[1] == pytest.approx(1.0, abs=1e-12)
    assert np.abs(response[2:]).max() < 0.5


def test_condition_rows_is_a_convolution_with_held_ends() -> None:
    rng = np.random.default_rng(5)
    block = rng.integers(-2000, 2000, (3, 200)).astype(np.int16)
    taps = band_pass_taps(60.0, 2.0, 8.0)
    half = taps.size - 1
    origin = np.array([-MARGIN, 40, 170])
    trace = np.empty((3, 60))
    condition_rows(block, 0.0, origin, taps, trace)
    held = np.pad(block.astype(float), ((0, 0), (100, 100)), mode="edge")
    for row in range(3):
        first = origin[row] + 100
        part = held[row, first - half : first + 60 + half]
        assert trace[row] == pytest.approx(np.convolve(part, whole(taps), "valid"), abs=1e-8)


def test_upper_edge_must_lie_below_half_the_sample_rate() -> None:
    with pytest.raises(AscanError, match=r"below half the sample rate, 7\.5 MHz"):
        Filter(kind="band_pass", low_mhz=2.0, high_mhz=8.0).taps(15.0)
