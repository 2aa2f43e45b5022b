"""The noise estimate: right on even noise, not led astray by echoes, never 0."""

from __future__ import annotations

import numpy as np
import pytest
from builders import SAMPLE_RATE_MHZ, burst

from ascan.kernels.fir import band_pass_taps
from ascan.waveform.noise import NoiseMeter, quantisation_floor


def measure_noise(block, zero_code, taps, step):
    """Return the noise of whole records."""
    rows, samples = block.shape
    whole = np.zeros(rows, np.int64), np.full(rows, samples)
    return NoiseMeter(taps, zero_code, step, 20.0).measure(block, *whole)


@pytest.mark.parametrize("samples", [400, 1000, 4000])
@pytest.mark.parametrize("filtered", [False, True])
def test_white_noise_level_and_slope(samples: int, filtered: bool) -> None:
    """Mean of 2000 rows within 4 %: white noise through taps h has level σ‖h‖ (exact).

    One estimate scatters by some 15 %, so the mean of 2000 does by 0.3 %; the rest of the 4 % is
    what the normal approximation of the selection leaves.
    """
    rng = np.random.default_rng(8)
    block = rng.normal(0.0, 10.0, (2000, samples))
    taps = band_pass_taps(SAMPLE_RATE_MHZ, 2.0, 8.0) if filtered else np.ones(1)
    level, slope = measure_noise(block, 0.0, taps, 1e-9)
    unit, unit_slope = (np.sqrt(12.0) * part for part in quantisation_floor(taps))
    assert np.sqrt(np.mean(level**2)) == pytest.approx(10.0 * unit, rel=0.06)
    assert np.sqrt(np.mean(slope**2)) == pytest.approx(10.0 * unit_slope, rel=0.06)


def test_an_echo_train_does_not_raise_it() -> None:
    rng = np.random.default_rng(9)
    time_us = np.arange(2000) / SAMPLE_RATE_MHZ
    train = burst(time_us, 1.0 + 1.4 * np.arange(14)).sum(axis=0)
    noise = rng.normal(0.0, 10.0, (500, 2000))
    taps = band_pass_taps(SAMPLE_RATE_MHZ, 2.0, 8.0)
    quiet, _ = measure_noise(noise, 0.0, taps, 1e-9)
    busy, _ = measure_noise(noise + 1000.0 * train, 0.0, taps, 1e-9)
    # Rather too much than too little, and by less than a factor of two.
    assert 1.0 <= np.median(busy) / np.median(quiet) < 2.0


def test_a_silent_record_has_the_noise_of_its_quantisation() -> None:
    """Q / sqrt(12) (common practice), through the filter, and never 0."""
    for taps in (np.ones(1), band_pass_taps(SAMPLE_RATE_MHZ, 2.0, 8.0)):
        level, slope = measure_noise(np.zeros((2, 500), np.int8), 0.0, taps, 1.0)
        whole = np.concatenate([taps[:0:-1], taps])
        assert level == pytest.approx(np.linalg.norm(whole) / np.sqrt(12.0), rel=1e-12)
        assert (slope > 0.0).all()


@pytest.mark.parametrize("blanked", [90, 128, 200, 300])
def test_a_blanked_part_says_nothing_of_the_noise(blanked: int) -> None:
    """Dead-time blanking and padding are constant; a record that is mostly constant is quiet."""
    rng = np.random.default_rng(10)
    block = rng.normal(0.0, 10.0, (400, 1000))
    block[:, :blanked] = 0.0
    level, _ = measure_noise(block, 0.0, np.ones(1), 1e-9)
    assert np.median(level) == pytest.approx(10.0, rel=0.1)
    assert level.min() > 5.0


@pytest.mark.parametrize("rate", [60.0, 100.0, 200.0, 400.0])
def test_band_limited_noise(rate: float) -> None:
    """2 to 8 MHz noise oversampled up to fifty times: the level within 20 %, whatever the rate.

    20 %: the number of independent samples in a stretch is that of a first-order process.
    """
    rng = np.random.default_rng(11)
    size = int(20.0 * rate)
    frequency = np.fft.rfftfreq(size, 1.0 / rate)
    inside = (frequency >= 2.0) & (frequency <= 8.0)
    spectrum = np.zeros((800, frequency.size), complex)
    spectrum[:, inside] = rng.normal(size=(800, inside.sum())) + 1j * rng.normal(
        size=(800, inside.sum())
    )
    noise = np.fft.irfft(spectrum, size)
    noise *= 10.0 / noise.std()
    meter = NoiseMeter(np.ones(1), 0.0, 1e-9, rate / 5.0)
    level, _ = meter.measure(noise, np.full(800, size // 4), np.full(800, 3 * size // 4))
    assert np.sqrt(np.mean(level**2)) == pytest.approx(10.0, rel=0.2)


def test_codes_kept_as_floating_point_keep_their_step() -> None:
    """A silent record of eight bits, stored as float32 fractions of full scale."""
    rng = np.random.default_rng(12)
    codes = np.zeros((5, 600), np.float32)
    codes[:, ::50] = rng.integers(-90, 90, (5, 12))
    codes[:, 3] = 1.0
    level, _ = measure_noise(codes / 128.0, 0.0, np.ones(1, np.float32), 1e-7)
    assert level.min() >= 0.999 / 128.0 / np.sqrt(12.0)
