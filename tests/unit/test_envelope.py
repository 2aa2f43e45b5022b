"""The analytic signal by a finite filter, and the methods that stand on it."""

from __future__ import annotations

import numpy as np
import pytest
from builders import CENTRE_MHZ, SAMPLE_RATE_MHZ, SIGMA_US, scan_of, wall_procedure

from ascan import time_echoes
from ascan.kernels.analytic import envelope, quadrature_taps
from ascan.kernels.arrays import FloatArray

FILTER = 'filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }'
TAPS = quadrature_taps(40)


def pulses(arrival_us: FloatArray, phase: FloatArray) -> FloatArray:
    after = np.arange(1100) / SAMPLE_RATE_MHZ - arrival_us[:, None]
    carrier = np.cos(2.0 * np.pi * CENTRE_MHZ * after + phase[:, None])
    return carrier * np.exp(-0.5 * (after / SIGMA_US) ** 2)


def test_quadrature_of_a_sinusoid() -> None:
    """Over the pulse's band, 3 to 8 MHz at 100 MHz, the envelope of a sinusoid is 1 within 2 %."""
    for frequency in (3.0, 5.0, 8.0):
        wave = np.cos(2.0 * np.pi * frequency * np.arange(400) / SAMPLE_RATE_MHZ + 0.3)
        sizes = [envelope(wave, k, TAPS) for k in range(150, 250)]
        assert sizes == pytest.approx(np.ones(100), abs=0.02)


@pytest.mark.parametrize(
    ("timing", "expected_us"),
    [
        ('"envelope"', 0.0),
        # Gaussian envelope: σ √(2 ln 2) before the peak (exact; IEEE Std 181-2011's 50 % instant).
        ('{ method = "envelope", edge_fraction = 0.5 }', -1.177410 * SIGMA_US),
    ],
)
def test_no_bias_for_any_phase(timing: str, expected_us: float) -> None:
    """Random phases and delays, no noise: mean within 0.2 ns, none off by more than 2 ns.

    A finite filter's ripple is 2 % of the envelope, and flat tops tell little.
    """
    rng = np.random.default_rng(1)
    arrival, phase = rng.uniform(4.0, 6.0, 400), rng.uniform(0.0, 2.0 * np.pi, 400)
    found = time_echoes(scan_of(0.7 * pulses(arrival, phase)), wall_procedure(timing)).picks("wall")
    error = found["time_us"] - arrival - expected_us
    assert abs(error.mean()) < 2e-4
    assert np.abs(error).max() < 2e-3


@pytest.mark.parametrize(
    "timing",
    ['"envelope"', '{ method = "envelope", edge_fraction = 0.5 }', '"zero_crossing"'],
)
@pytest.mark.parametrize("snr_db", [24.0, 40.0])
def test_stated_uncertainty_is_that_of_the_noise(timing: str, snr_db: float) -> None:
    """Spread over stated, band-passed, 3000 records: within 12 %.

    To first order, and each record's noise is measured on a few hundred of its own samples.
    """
    rng = np.random.default_rng(2)
    arrival = rng.uniform(4.0, 6.0, 3000)
    records = 0.7 * pulses(arrival, np.zeros(3000))
    records += 0.7 * 10.0 ** (-snr_db / 20.0) * rng.standard_normal(records.shape)
    found = time_echoes(scan_of(records), wall_procedure(timing, FILTER)).picks("wall")
    error = found["time_us"] - arrival
    error -= np.median(error)
    stated = np.sqrt(np.mean(found["u_time_us"] ** 2))
    assert error.std() == pytest.approx(stated, rel=0.12)


def test_zero_crossing_is_a_quarter_of_a_period_after_the_crest() -> None:
    """Zeros of the burst are those of its cosine whatever the envelope (exact)."""
    arrival = np.linspace(5.0, 5.0 + 1.0 / SAMPLE_RATE_MHZ, 30)
    records = 0.7 * pulses(arrival, np.zeros(30))
    found = time_echoes(scan_of(records), wall_procedure('"zero_crossing"')).picks("wall")
    expected = arrival + 0.25 / CENTRE_MHZ
    # A cubic through four samples at 20 a period: 0.01 ns.
    assert found["time_us"] == pytest.approx(expected, abs=1e-5)
