"""Timing methods against the Cramér-Rao bound, and whether their stated uncertainty is true.

One Gaussian echo in white noise whose shape, delay and noise are known; the bound is computed from
the noise-free echo itself. 1500 echoes a cell: a ratio scatters by 2 %, a coverage by 0.6 %. The
full table stands in benches/accuracy.py.
"""

from __future__ import annotations

import numpy as np
import pytest
from builders import SIGMA_US, burst

from ascan import Procedure, Scan, calibrate, measure, time_echoes
from ascan.base.flags import Flag
from ascan.kernels.arrays import FloatArray
from ascan.study.comparing import Signals, compare_methods

ROWS = 1500
BELL = 'filter = { kind = "gaussian", centre_mhz = 5.0, bandwidth_mhz = 3.0 }'
BAND = 'filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }'
# Method, filter, ratio to the bound (known shape, or phase free) with 5 % for 1500 echoes.
CASES = {
    "correlation": ('"correlation"', "", "known", 1.10),
    "carrier_phase": ('"carrier_phase"', "", "known", 1.10),
    "pulse_fit": ('"pulse_fit"', "", "known", 1.10),
    "peak": ('"peak"', BELL, "known", 1.40),
    "own": ('{ method = "first_crossing", peak_fraction = 0.5 }', BELL, "known", 1.45),
    "zero": ('"zero_crossing"', BELL, "known", 1.45),
    "envelope": ('"envelope"', BELL, "free", 1.10),
    "edge": ('{ method = "envelope", edge_fraction = 0.5 }', BELL, "free", 1.60),
    "centroid": ('"centroid"', BAND, "free", 1.10),
    "free": ('{ method = "pulse_fit", shape = "free" }', "", "free", 1.10),
}


def procedure(timing: str, condition: str, half_cycles: str = "positive") -> Procedure:
    return Procedure.from_text(f"""
    probe = {{ arrangement = "contact", frequency_mhz = 5.0 }}
    interval = {{ mode = "time_zero_to_echo", gates = ["wall"] }}
    {condition}
    [[gate]]
    name = "wall"
    start_us = 1.5
    stop_us = 5.0
    threshold = 0.06
    echo = "largest"
    half_cycles = "{half_cycles}"
    timing = {timing}
    """)


def signals(rate_mhz: float, bits: int, rows: int = ROWS) -> Signals:
    rng = np.random.default_rng(1)
    time_us = np.arange(int(6.0 * rate_mhz)) / rate_mhz
    arrival = 3.0 + 0.4 * rng.random(rows)
    size = 0.25 * 10.0 ** (rng.uniform(-6.0, 6.0, rows) / 20.0)
    clean = size[:, None] * burst(time_us, arrival)
    return Signals(clean=clean, true_us=arrival, sample_rate_mhz=rate_mhz, start_us=0.0, bits=bits)


@pytest.mark.parametrize("rate_mhz", [25.0, 50.0, 100.0])
@pytest.mark.parametrize("name", CASES)
def test_scatter_is_near_the_bound_and_the_uncertainty_true(name: str, rate_mhz: float) -> None:
    timing, condition, bound, most = CASES[name]
    cells = compare_methods(
        signals(rate_mhz, 12), {name: procedure(timing, condition)}, [24.0, 40.0]
    )
    for cell in cells:
        ratio = cell.over_bound if bound == "known" else cell.over_phase_free
        assert 0.93 < ratio < most
        assert 0.85 < cell.error_over_u < 1.1
        assert 0.92 < cell.covered < 0.98
        assert cell.gross == 0
        assert cell.timed == cell.rows


def test_the_bound_is_the_published_one() -> None:
    """σ_t = 1 / (SNR √(fs E) β) for a Gaussian pulse, E = σ √π / 2, β² = ω² + 1 / (2 σ²).

    Closed form of the Fisher information of its delay (Kay, Estimation Theory, ex. 3.13, from
    memory); the half-cosine term of the energy, e^{−(ω σ)²}, is below a millionth.
    """
    cell = compare_methods(signals(100.0, 16, 50), {"peak": procedure('"peak"', BELL)}, [34.0])[0]
    beta = np.sqrt((2.0 * np.pi * 5.0) ** 2 + 0.5 / SIGMA_US**2)
    energy = 100.0 * SIGMA_US * np.sqrt(np.pi) / 2.0
    assert cell.bound_ns == pytest.approx(1e3 * 10 ** (-1.7) / (np.sqrt(energy) * beta), rel=2e-3)
    # With the phase free only the envelope tells: β² falls to 1 / (2 σ²).
    expected = cell.bound_ns * beta * np.sqrt(2.0) * SIGMA_US
    assert cell.phase_free_bound_ns == pytest.approx(expected, rel=2e-3)


def test_no_method_decides_what_the_others_are_held_to() -> None:
    """In any order each has its figures, also beside one that finds other echoes than they do."""
    both = {"peak": procedure('"peak"', BELL), "onset": procedure('"onset"', BELL)}
    turned = dict(reversed(both.items()))
    found = [
        {cell.method: cell for cell in compare_methods(signals(100.0, 12, 200), each, [24.0])}
        for each in (both, turned)
    ]
    assert found[0]["peak"] == found[1]["peak"]
    assert found[0]["onset"].bound_ns == found[1]["onset"].bound_ns == found[0]["peak"].bound_ns
    assert found[0]["peak"].over_bound > 0.85


def test_what_gross_errors_leave_is_no_spread() -> None:
    """At -10 dB most are on another crest: the few that are not would beat the bound."""
    cell = compare_methods(signals(100.0, 12, 200), {"peak": procedure('"peak"', BELL)}, [-10.0])[0]
    assert cell.gross > 0.3 * cell.timed
    assert np.isnan(cell.over_bound)


def test_echoes_of_unknown_polarity_and_noise_elsewhere() -> None:
    """At 14 dB, inverted or not, the half-cycle is right: the search runs in the probe's band."""
    rng = np.random.default_rng(4)
    clean = signals(100.0, 12, 3000)
    flipped = clean.clean * rng.choice([-1.0, 1.0], 3000)[:, None]
    both = Signals(
        clean=flipped, true_us=clean.true_us, sample_rate_mhz=100.0, start_us=0.0, bits=12
    )
    cell = compare_methods(both, {"any": procedure('"correlation"', "", "any")}, [14.0])[0]
    # The maximum-likelihood choice fails in a few of ten thousand.
    assert cell.gross <= 4


def odd_pulse(after_us: FloatArray) -> FloatArray:
    """Return a causal pulse: steep front, long tail, no symmetry; 5.3 MHz."""
    since = np.maximum(after_us + 0.35, 0.0) / 0.09
    return (since / 3.0) ** 3 * np.exp(3.0 - since) * np.sin(2.0 * np.pi * 5.3 * after_us)


@pytest.mark.parametrize("timing", ['"correlation"', '"carrier_phase"', '"pulse_fit"'])
def test_a_learned_template_serves_a_pulse_that_is_not_nominal(timing: str) -> None:
    rng = np.random.default_rng(5)
    time_us = np.arange(1200) / 100.0
    how = Procedure.from_text(f"""
    probe = {{ arrangement = "contact", frequency_mhz = 5.0, delay_us = 0.9 }}
    interval = {{ mode = "time_zero_to_echo", gates = ["wall"] }}
    [[gate]]
    name = "wall"
    start_us = 1.8
    stop_us = 10.0
    threshold = 0.1
    echo = "largest"
    timing = {timing}
    """)

    def scan(thickness_mm: FloatArray, snr_db: float) -> Scan:
        size = rng.uniform(0.3, 0.5, thickness_mm.size)[:, None]
        clean = size * odd_pulse(time_us - 1.0 - 2.0 * thickness_mm[:, None] / 5.92)
        noisy = clean + size * 10 ** (-snr_db / 20) * rng.standard_normal(clean.shape)
        return Scan.from_array(noisy, sample_rate_mhz=100.0)

    steps = np.repeat([4.0, 8.0, 12.0, 16.0, 24.0], 6)
    calibration = calibrate(scan(steps, 50.0), how, steps, u_known_mm=1e-4)
    template = calibration.templates["wall"]
    assert template.echoes >= 25
    # Noise of 50 dB is 0.3 % of the height; no more than that is left.
    assert template.scatter < 0.005
    truth = rng.uniform(4.0, 24.0, 1500)
    readings = measure(scan(truth, 40.0), how, calibration)
    error = readings.thickness_mm - truth
    # Heights are spread: a few of 1500 are weak among them.
    assert (readings.flags & ~np.uint32(Flag.CALIBRATION_IN_DOUBT | Flag.WEAK_ECHO) == 0).all()
    assert (readings.flags != 0).mean() < 0.05
    assert np.abs(error).max() < 2e-3
    # All share the calibration's error; what differs is what the random part states.
    assert 0.9 < np.std(error / readings.columns["u_random_mm"]) < 1.1


def test_several_echoes_weigh_by_their_uncertainty() -> None:
    """Four echoes of falling height: the interval scatters as the best linear estimate does."""
    rng = np.random.default_rng(6)
    time_us = np.arange(2000) / 100.0
    apart = 3.3784
    gates = "".join(
        f'[[gate]]\nname = "w{k}"\nstart_us = {3.0 + k * apart - 1.0}\n'
        f"stop_us = {3.0 + k * apart + 1.2}\nthreshold = 0.02\necho = 'largest'\n"
        "half_cycles = 'positive'\ntiming = 'correlation'\n"
        for k in range(4)
    )
    how = Procedure.from_text(
        'probe = { arrangement = "contact", frequency_mhz = 5.0 }\n'
        'interval = { mode = "echo_to_echo", gates = ["w0", "w1", "w2", "w3"] }\n' + gates
    )
    shift = rng.random(ROWS) * 0.1
    height = 0.6 * 10.0 ** (-6.0 * np.arange(4) / 20.0)
    clean = sum(h * burst(time_us, 3.0 + k * apart + shift) for k, h in enumerate(height))
    scan = Scan.from_array(
        clean + 0.6 * 10 ** (-34 / 20) * rng.standard_normal(clean.shape), sample_rate_mhz=100.0
    )
    found = time_echoes(scan, how).columns
    error = found["interval_us"] - apart
    u = 1.0 / height
    number = np.arange(4.0)
    design = np.stack([np.ones(4), number], axis=1) / u[:, None]
    unit = np.sqrt(np.linalg.inv(design.T @ design)[1, 1])
    beta = np.sqrt((2.0 * np.pi * 5.0) ** 2 + 0.5 / SIGMA_US**2)
    energy = 100.0 * SIGMA_US * np.sqrt(np.pi) / 2.0
    bound = 0.6 * 10 ** (-34 / 20) * unit / (np.sqrt(energy) * beta)
    # 5 % for 1500 trials.
    assert np.std(error) < 1.06 * bound
    assert abs(np.mean(error)) < 1e-5 + 3.0 * bound / np.sqrt(ROWS)
    assert 0.9 < np.std(error / found["u_interval_us"]) < 1.1
