"""Templates laid between samples, kept, matched by polarity; interpolation between samples."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from builders import SAMPLE_RATE_MHZ, burst, scan_of, wall_procedure
from hypothesis import given, settings
from hypothesis import strategies as st

from ascan import calibrate, load_calibration, measure, save_calibration, time_echoes
from ascan.base.flags import Flag
from ascan.checks.cycle_uncertain import CYCLE_OFFSET
from ascan.kernels.fir import gaussian_taps
from ascan.kernels.subsample import dense_crossing, dense_peak, dense_value
from ascan.timing.matched import noise_gain
from ascan.waveform.template import PLACES, nominal_template

TEMPLATED = ['"correlation"', '"carrier_phase"', '"pulse_fit"']
TIME_US = np.arange(1100) / SAMPLE_RATE_MHZ


def test_a_nominal_template_is_the_pulse_of_its_frequency_and_bandwidth() -> None:
    """60 % of 5 MHz at −6 dB: half height 1.5 MHz from the centre (the definition)."""
    template = nominal_template(20.0, 0.6, np.ones(1))
    spectrum = np.abs(np.fft.rfft(template.samples, 4000))
    frequency = np.fft.rfftfreq(4000, 0.01)
    # The spectrum of a pulse cut at 3.2 σ; the image at −5 MHz adds next to nothing.
    for edge in (3.5, 6.5):
        assert np.interp(edge, frequency, spectrum) / spectrum.max() == pytest.approx(0.5, abs=5e-3)


def test_shapes_are_the_template_moved_and_slopes_its_derivative() -> None:
    template = nominal_template(20.0, 0.6, np.ones(1))
    place = np.arange(-template.half, template.half + 1)
    for k in (0, 5, PLACES):
        late = place - (k / PLACES - 0.5)
        sigma = 12.4927
        moved = np.exp(-0.5 * (late / sigma) ** 2) * np.cos(2 * np.pi * late / 20.0)
        # 1e-2: what the cut ends leave.
        assert template.shapes[k] == pytest.approx(moved, abs=1e-2)
        slope = np.gradient(template.shapes[k])
        inner = slice(2, -2)
        # Central differences of 20 samples a period are 1.6 % flat: sin ω / ω.
        assert template.slopes[k][inner] == pytest.approx(slope[inner], abs=0.01)


def test_noise_gain_is_that_of_a_weighted_sum() -> None:
    rng = np.random.default_rng(2)
    weights = rng.standard_normal(31)
    assert noise_gain(weights, np.ones(1)) == pytest.approx(np.linalg.norm(weights), rel=1e-12)
    # Moving average of three: correlation 1, 2/3, 1/3.
    correlation = np.array([1.0, 2.0 / 3.0, 1.0 / 3.0])
    matrix = sum(
        c * (np.eye(31, k=k) + (np.eye(31, k=-k) if k else 0.0)) for k, c in enumerate(correlation)
    )
    expected = np.sqrt(weights @ matrix @ weights)
    assert noise_gain(weights, correlation) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("timing", TEMPLATED)
def test_only_the_polarity_that_counts_is_matched(timing: str) -> None:
    """An inverted echo does not fit where positive half-cycles count: half a period off at best."""
    procedure = wall_procedure(timing, gate='half_cycles = "positive"\necho = "largest"')
    both = 0.7 * np.stack([burst(TIME_US, 5.1234), -burst(TIME_US, 5.1234)])
    times = time_echoes(scan_of(both), procedure).picks("wall")["time_us"]
    assert times[0] == pytest.approx(5.1234, abs=1e-6)
    assert abs(times[1] - 5.1234) > 0.05


def test_a_skipped_cycle_shows_against_the_envelope() -> None:
    """Calibrated upright, measured turned over: half a period off, and marked on every row."""
    rng = np.random.default_rng(3)
    steps = np.array([8.0, 12.0, 16.0, 20.0])
    arrivals = 2.0 * steps / 5.92
    procedure = wall_procedure('"peak"', gate='half_cycles = "positive"\necho = "largest"')
    clean = 0.7 * burst(TIME_US, arrivals)
    noise = rng.normal(0.0, 0.003, clean.shape)
    calibration = calibrate(scan_of(clean + noise), procedure, steps, u_known_mm=0.01)
    assert float(calibration.learned[CYCLE_OFFSET]["wall"]) == pytest.approx(0.0, abs=2e-3)
    upright = measure(scan_of(clean + noise), procedure, calibration)
    turned = measure(scan_of(-clean + noise), procedure, calibration)
    assert (upright.flags == 0).all()
    assert (turned.flags == np.uint32(Flag.POLARITY_INVERTED)).all()


def test_template_and_lag_are_kept_with_the_calibration(tmp_path: Path) -> None:
    steps = np.array([8.0, 12.0, 16.0, 20.0])
    signal = 0.7 * burst(TIME_US, 2.0 * steps / 5.92)
    # Of thick steps there is some more of an echo a little later.
    signal += np.array([[0.0], [0.01], [0.02], [0.03]]) * burst(TIME_US, 2.0 * steps / 5.92 + 0.06)
    scan = scan_of(signal)
    calibration = calibrate(scan, wall_procedure('"correlation"'), steps, u_known_mm=0.01)
    assert np.abs(calibration.templates["wall"].drift).max() > 0.005
    save_calibration(calibration, tmp_path / "c.h5")
    loaded = load_calibration(tmp_path / "c.h5")
    assert loaded.digest == calibration.digest
    assert loaded.learned[CYCLE_OFFSET] == calibration.learned[CYCLE_OFFSET]
    for name in ("samples", "drift"):
        kept, made = (getattr(each.templates["wall"], name) for each in (loaded, calibration))
        assert np.array_equal(kept, made)
    other = dataclasses.replace(calibration, templates={})
    assert other.digest != calibration.digest


@pytest.mark.parametrize("rate", [25.0, 50.0, 100.0])
def test_the_gaussian_filter_is_what_it_says(rate: float) -> None:
    """1 at the centre, ½ at ±1.5 MHz, 0 for a constant; 2 % for the envelope's correction."""
    taps = gaussian_taps(rate, 5.0, 3.0)
    place = np.arange(1 - taps.size, taps.size)
    whole = np.concatenate([taps[:0:-1], taps])
    gain = np.cos(2.0 * np.pi * np.outer([0.0, 3.5, 5.0, 6.5], place) / rate) @ whole
    assert gain[0] == pytest.approx(0.0, abs=1e-12)
    assert gain[2] == pytest.approx(1.0, abs=1e-12)
    assert gain[[1, 3]] == pytest.approx(0.5, abs=0.02)


@given(frequency=st.floats(0.02, 0.28), phase=st.floats(-3.0, 3.0), eighth=st.integers(80, 160))
@settings(max_examples=100, deadline=None)
def test_dense_values_of_a_sinusoid(frequency: float, phase: float, eighth: int) -> None:
    """Up to 0.28 of the sample rate a windowed sinc gives the sinusoid back to 5 in 10 000."""
    samples = np.cos(2.0 * np.pi * frequency * np.arange(32) + phase)
    expected = np.cos(2.0 * np.pi * frequency * eighth / 8.0 + phase)
    assert dense_value(samples, eighth) == pytest.approx(expected, abs=5e-4)


@given(offset=st.floats(-0.5, 0.5), period=st.floats(5.0, 20.0))
@settings(max_examples=100, deadline=None)
def test_dense_peaks_and_crossings_of_a_sinusoid(offset: float, period: float) -> None:
    place = np.arange(64) - 30.0 - offset
    samples = np.cos(2.0 * np.pi * place / period)
    found, height, _ = dense_peak(samples, 30.0, period)
    assert found == pytest.approx(30.0 + offset, abs=2e-3)
    assert height == pytest.approx(1.0, abs=1e-3)
    crossing, slope = dense_crossing(samples, 30.0 + offset + 0.25 * period, 1, 0.0)
    assert crossing == pytest.approx(30.0 + offset + 0.25 * period, abs=2e-3)
    # The slope over an eighth of a sample; 1 % for its bend.
    assert slope == pytest.approx(-2.0 * np.pi / period, rel=0.01)


@pytest.mark.parametrize("place", [-5.0, 1e9, float("nan")])
def test_dense_places_outside_the_trace_read_nothing(place: float) -> None:
    samples = np.ones(16)
    assert np.isnan(dense_peak(samples, place, 10.0)[0])
    assert np.isnan(dense_crossing(samples, place, 1, 0.0)[1])
