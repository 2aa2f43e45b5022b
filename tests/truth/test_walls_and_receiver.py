"""Footprints, roughness, truth, noise, faults and scenarios of the wave laboratory."""

from __future__ import annotations

import dataclasses
import hashlib
import re
from pathlib import Path

import numpy as np
import pytest
from ascan_synthetic import electronics
from ascan_synthetic.layers import Plate
from ascan_synthetic.medium import PMMA, STEEL
from ascan_synthetic.pulse import GaussianPulse, sum_of_delays
from ascan_synthetic.scenario import load_scenario, named_scenarios, parse_scenario
from ascan_synthetic.synthesis import CHUNK_ROWS, Synthesis
from ascan_synthetic.tables import ProbeTable, ReceiverTable, RecordTable, Scenario, WallTable
from ascan_synthetic.walls import Beam, Field, Lamination, Pit, Roughness, look

OMEGA = 2.0 * np.pi * np.arange(0.5, 10.0, 0.05)


def test_roughness_has_its_height_and_correlation() -> None:
    """Rms height, and the Gaussian correlation exp(−(r/l)²) at one correlation length."""
    rough = Roughness(rms_mm=0.1, correlation_mm=2.0, seed=3)
    rng = np.random.default_rng(1)
    x, y = rng.uniform(0.0, 3000.0, (2, 60_000))
    here, there = rough.height_mm(x, y), rough.height_mm(x + 2.0, y)
    # 256 random phases: the rms of one realisation is good to a few percent.
    assert here.std() == pytest.approx(0.1, rel=0.05)
    assert np.corrcoef(here, there)[0, 1] == pytest.approx(np.exp(-1.0), abs=0.08)


def test_coherent_echo_of_a_rough_back_is_weakened_by_exp_minus_2_k2_rms2() -> None:
    """Kirchhoff at normal incidence: ⟨exp(−2ikh)⟩ = exp(−2 k² rms²), Gaussian heights (exact)."""
    rng = np.random.default_rng(2)
    heights = rng.normal(0.0, 0.05, (1, 200_000))
    delay = 2.0 * heights / STEEL.velocity_mm_per_us
    frequency = np.array([2.0, 4.0, 6.0])
    sums = sum_of_delays(2.0 * np.pi * frequency, delay, np.full(delay.shape, 1.0 / delay.size))
    wave = 2.0 * np.pi * frequency / STEEL.velocity_mm_per_us
    expected = np.exp(-2.0 * (wave * 0.05) ** 2)
    assert np.abs(sums[0]) == pytest.approx(expected, abs=0.01)


def test_footprint_is_half_at_its_edge_and_weighs_one() -> None:
    x, y, weight = Beam(6.0, 12).points()
    assert weight.sum() == pytest.approx(1.0)
    axis, edge = weight[np.hypot(x, y) < 1e-9], weight[np.abs(np.hypot(x, y) - 3.0) < 1e-9]
    assert edge / axis == pytest.approx(0.5, abs=1e-9)


def test_truth_under_axis_and_footprint() -> None:
    """A flat-bottomed hole of 4 mm beside the axis: seen by the spot, not by the axis."""
    field = Field(
        nominal_mm=10.0, pits=(Pit(kind="flat", x_mm=2.5, y_mm=0.0, depth_mm=4.0, width_mm=2.0),)
    )
    seen = look(field, Beam(4.0, 16), np.array([0.0, 2.5, 50.0]), np.zeros(3))
    assert seen.truth.axis_mm.tolist() == [10.0, 6.0, 10.0]
    assert seen.truth.least_mm.tolist() == [6.0, 6.0, 10.0]
    assert seen.truth.most_mm.tolist() == [10.0, 10.0, 10.0]
    assert 6.0 < seen.truth.mean_mm[1] < seen.truth.mean_mm[0] < 10.0


def test_averaging_while_moving_takes_in_what_lies_on_the_way() -> None:
    hole = Pit(kind="flat", x_mm=0.0, y_mm=0.0, depth_mm=4.0, width_mm=1.0)
    field = Field(nominal_mm=10.0, pits=(hole,))
    seen = look(field, Beam(moved_mm=4.0), np.array([0.0, 2.0, 9.0]), np.zeros(3))
    share = (seen.depth_mm < 8.0) @ seen.weight
    assert share == pytest.approx([0.2, 0.2, 0.0])


def test_kinds_of_pits() -> None:
    bowl = Pit(kind="round", x_mm=0.0, y_mm=0.0, depth_mm=3.0, width_mm=4.0)
    slot = Pit(kind="slot", x_mm=0.0, y_mm=0.0, depth_mm=3.0, width_mm=1.0, length_mm=6.0)
    x = np.array([0.0, 2.0])
    assert bowl.loss_mm(x, np.zeros(2)) == pytest.approx([3.0, 1.5])
    assert slot.loss_mm(np.array([0.0, 0.0, 1.0]), np.array([2.9, 4.0, 0.0])).tolist() == [
        3.0,
        0,
        0,
    ]


def test_lamination_is_met_before_the_back() -> None:
    field = Field(
        nominal_mm=10.0,
        laminations=(Lamination(x_mm=0.0, y_mm=0.0, depth_mm=4.0, diameter_mm=6.0),),
    )
    seen = look(field, Beam(), np.array([0.0, 20.0]), np.zeros(2))
    assert seen.depth_mm[:, 0].tolist() == [4.0, 10.0]
    assert seen.truth.axis_mm.tolist() == [10.0, 10.0]  # the wall is all there


def test_tilt_and_curvature() -> None:
    tilted = Field(nominal_mm=10.0, tilt_deg=1.0)
    assert tilted.thickness_mm(np.array([5.0]), np.zeros(1))[0] == pytest.approx(
        10.0 + 5.0 * np.tan(np.radians(1.0))
    )
    bore = Field(nominal_mm=10.0, radius_mm=50.0)
    depth = bore.reflector_mm(np.array([2.0]), np.zeros(1), np.zeros(1))
    assert depth[0] == pytest.approx(10.0 + 4.0 / 100.0)


def test_white_noise_and_signal_to_noise_as_defined() -> None:
    """SNR = peak of the echo over the rms of a sample; white: the same power in every tenth."""
    scenario = Scenario(
        record=RecordTable(bits=16),
        wall=WallTable(steps_mm=(8.0,), readings=400),
        receiver=ReceiverTable(gain=0.0, noise=0.01),
    )
    signal = Synthesis(scenario).waveforms() / 2.0**15
    assert signal.std() == pytest.approx(0.01, rel=0.01)
    power = (np.abs(np.fft.rfft(signal)) ** 2).mean(axis=0)[1:-1]
    tenths = np.array([part.mean() for part in np.array_split(power, 10)])
    # Each mean is over 400 × 50 exponential values: good to 0.7 %.
    assert tenths / tenths.mean() == pytest.approx(1.0, abs=0.03)


def test_band_noise_is_flat_inside_and_absent_outside() -> None:
    rng = np.random.default_rng(3)
    noise = electronics.band_noise((300, 1000), 0.02, (2.0, 8.0), 100.0, rng)
    assert noise.std() == pytest.approx(0.02, rel=0.02)
    power = (np.abs(np.fft.rfft(noise)) ** 2).mean(axis=0)
    frequency = np.fft.rfftfreq(1000, 0.01)
    inside = (frequency >= 2.0) & (frequency <= 8.0)
    assert power[~inside].max() < 1e-20 * power[inside].mean()
    assert power[inside].std() / power[inside].mean() < 0.15


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
def test_quantisation_is_at_most_half_a_step_and_clips_at_the_rails(bits: int) -> None:
    """Noise of quantisation q²/12 (common practice); rails of two's complement."""
    rng = np.random.default_rng(4)
    signal = rng.uniform(-0.9, 0.9, (50, 400))
    full = 2 ** (bits - 1)
    error = electronics.digitise(signal, bits) / full - signal
    assert np.abs(error).max() <= 0.5 / full + 1e-12
    assert error.std() == pytest.approx(1.0 / full / np.sqrt(12.0), rel=0.02)
    rails = electronics.digitise(np.array([[-5.0, 5.0]]), bits)
    assert rails.tolist() == [[-full, full - 1]]


def test_receiver_stages() -> None:
    signal = np.array([[0.0, 0.5, -2.0, 0.1]])
    time_us = np.arange(4.0)
    assert np.abs(electronics.soft_clip(signal, 1.0)).max() < 1.0
    assert electronics.time_gain(signal, time_us, 20.0, 1.0)[0].tolist() == [0.0, 0.5, -20.0, 10.0]
    assert electronics.peak_held(signal, 2)[0].tolist() == [0.0, 0.5, 2.0, 2.0]
    burst = electronics.transmit_burst(np.array([-0.1, 0.0, 1.0]), 5.0, 4.0, 0.12)
    assert burst[0] == 0.0
    assert burst[1] == 4.0
    assert abs(burst[2]) < 0.01


def test_grain_is_coherent_and_dies_away() -> None:
    """The same place gives the same grain, so averaging leaves it; it decays as stated."""
    scenario = Scenario(
        record=RecordTable(samples=2000, bits=16),
        wall=WallTable(steps_mm=(12.0,), readings=500),
        receiver=ReceiverTable(gain=1.0, noise=1e-6, grain=0.02, grain_decay_us=4.0),
    )
    signal = Synthesis(scenario).waveforms() / 2.0**15
    early, late = signal[:, 150:350].std(), signal[:, 1350:1550].std()
    assert late / early == pytest.approx(np.exp(-12.0 / 4.0), rel=0.1)


def test_dead_stuck_lost_and_previous_pulse() -> None:
    base = Scenario(wall=WallTable(steps_mm=(8.0,), readings=400))
    faulty = dataclasses.replace(
        base, receiver=ReceiverTable(dead=0.1, stuck=0.1, lost_coupling=0.2, noise=1e-5)
    )
    codes = Synthesis(faulty).waveforms().astype(int)
    dead = (codes == 0).all(axis=1).mean()
    assert 0.05 < dead < 0.5
    repeated = (codes[1:] == codes[:-1]).all(axis=1) & (codes[1:] != 0).any(axis=1)
    assert 0.02 < repeated.mean() < 0.2
    # A pulse 10 µs before: its echoes of 10 µs later than the record's lie in it.
    before = dataclasses.replace(base, receiver=ReceiverTable(previous_us=10.0, noise=1e-5))
    early = np.abs(Synthesis(before).waveforms(0, 1)[0, :200]).max()
    quiet = np.abs(Synthesis(base).waveforms(0, 1)[0, :200]).max()
    assert early > 5 * quiet


def test_trigger_jitter_and_shared_shift() -> None:
    def arrivals(**receiver: float) -> np.ndarray:
        scenario = Scenario(
            record=RecordTable(bits=16),
            wall=WallTable(steps_mm=(8.0,), readings=300),
            receiver=ReceiverTable(gain=3.0, noise=0.0, **receiver),
        )
        signal = Synthesis(scenario).waveforms()[:, 200:400].astype(float)
        return signal**2 @ np.arange(200, 400) / (signal**2).sum(axis=1) * 10.0  # ns

    plain, moved = arrivals(), arrivals(shared_shift_ns=7.3)
    assert moved.mean() - plain.mean() == pytest.approx(7.3, abs=0.02)
    for kind in ("jitter_ns", "channel_jitter_ns"):
        assert arrivals(**{kind: 5.0}).std() == pytest.approx(5.0, rel=0.15)


def test_jitter_of_shots_and_of_channels() -> None:
    """A shot moves all its channels alike, a channel's own jitter does not; skew stays."""

    def triggers(**receiver: float) -> np.ndarray:
        scenario = Scenario(
            wall=WallTable(steps_mm=(8.0,), readings=4000),
            receiver=ReceiverTable(channels=4, **receiver),
        )
        made = Synthesis(scenario)
        assert made.truth_columns()["channel"].reshape(-1, 4).tolist() == [[0, 1, 2, 3]] * 1000
        return 1e3 * (made.trigger_us - scenario.probe.delay_us).reshape(-1, 4)

    together, skewed = triggers(jitter_ns=5.0), triggers(channel_skew_ns=5.0)
    assert (np.ptp(together, axis=1) == 0.0).all()
    assert together[:, 0].std() == pytest.approx(5.0, rel=0.1)
    assert (np.ptp(skewed, axis=0) == 0.0).all()
    assert np.ptp(skewed[0]) > 1.0


@pytest.mark.parametrize("name", named_scenarios())
def test_named_scenarios_give_the_same_bytes_however_they_are_read(name: str) -> None:
    scenario = load_scenario(name)
    made, again = Synthesis(scenario), Synthesis(scenario)
    last = min(len(made), CHUNK_ROWS + 20)
    whole = made.waveforms(0, last)
    parts = [again.waveforms(k, min(k + 97, last)) for k in range(0, last, 97)]
    digest = [hashlib.sha256(np.concatenate(p).tobytes()).digest() for p in ([whole], parts)]
    assert digest[0] == digest[1]
    assert whole.shape == (last, scenario.record.samples)
    truth = made.footprints.truth
    assert (truth.least_mm <= truth.axis_mm + 1e-9).all()
    assert (truth.axis_mm <= truth.most_mm + 1e-9).all()
    assert np.ptp(whole) > 10  # there is something to see


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[probee]", "unknown key 'probee'"),
        ("[probe]\ncentre = 5.0", "unknown key 'centre'"),
        ('[probe]\ncentre_mhz = "5"', "wanted float"),
        ("[wall]\npit = [{ kind = 'round' }]", "wall.pit"),
        ('[stack]\nbacking = "wood"', "allowed: air, water, product"),
        ('[probe]\npulse = "square"', "allowed: gaussian, causal"),
        ('[probe]\npulse = "template"', "wanted 4 or more"),
        ("[receiver]\nchannels = 0", "receiver.channels: is 0; wanted above 0"),
        ("seed = -1", "seed: is -1; wanted 0 or above"),
        ("[record]\nbits = 99", "wanted at most 24"),
        ("[record]\nbits = 1", "wanted 2 or more"),
        ("[probe]\nbandwidth = 60", "60 % is 0.6"),
        ("[probe]\ncentre_mhz = 60.0", "half the sample rate, 50 MHz"),
        ('[probe]\narrangement = "angle"', "allowed: contact, delay_line, immersion, dual"),
        ("[stack]\nwall_velocity_mm_per_us = 5920", "5920 m/s is 5.92 mm/µs"),
        ("[receiver]\nlost_coupling = 1.5", "wanted at most 1"),
        ("[wall]\nsteps_mm = []", "is empty"),
        ("[wall]\nuniform_mm = [9.0, 3.0]\ncount = 2", "wanted [least, most]"),
        ("[wall]\nuniform_mm = [3.0, 9.0]", "wall.count: is 0"),
        ("[wall]\nuniform_mm = [3.0, 9.0]\nsteps_mm = [5.0]", "wanted one of them"),
        ("[wall]\nuniform_mm = [3.0, 9.0]\ncount = 100_000_000", "10000000 at most"),
        ("[wall]\npits = 2\ndeepest_mm = 12.0", "a pit 12 mm deep in a wall of 10 mm"),
        ("[wall]\nnominal_mm = 5.0\nrough_rms_mm = 9.0", "at most 1.25 mm"),
        ('[probe]\narrangement = "dual"\n[stack]\ncoating_mm = 0.3', "bare walls"),
        ('[probe]\narrangement = "dual"\n[wall]\nsteps_mm = [0.1]', "walls of 0.3 to 60"),
    ],
)
def test_wrong_scenarios(text: str, message: str) -> None:
    with pytest.raises(ValueError, match=re.escape(message)):
        Synthesis(parse_scenario(text)).waveforms(0, 1)


def test_known_shape_estimator_stands_at_the_cramer_rao_bound() -> None:
    """10 000 echoes at random delays, 30 dB: std over 1/√(SNR_E (ω₀² + α)) within 1 ± 0.025.

    SNR_E = fs σ √π/2 (A/σₙ)², α = 1/(2σ²): Gaussian burst, phase known (Kay 1993, ex. 3.13, from
    memory; recomputed: 0.2977 ns at 30 dB). The ratio of 10 000 draws is good to 0.7 % (one σ);
    below 0.95 the truth would have leaked.
    """
    count, rate, snr = 10_000, 100.0, 10.0**1.5
    pulse = GaussianPulse(5.0)
    rng = np.random.default_rng(5)
    time_us = np.arange(160) / rate
    arrival = 0.8 + rng.uniform(-0.5, 0.5, count) / rate
    signal = pulse(time_us - arrival[:, None]) + rng.normal(0.0, 1.0 / snr, (count, 160))
    estimate = np.full(count, 0.8)
    for _ in range(6):  # Newton on the least squares with known shape and free amplitude
        shape = pulse(time_us - estimate[:, None])
        step = 1e-4
        ahead, behind = (pulse(time_us - estimate[:, None] - h) for h in (step, -step))
        slope = (ahead - behind) / (2.0 * step)
        amplitude = (signal * shape).sum(axis=1) / (shape**2).sum(axis=1)
        miss = signal - amplitude[:, None] * shape
        model = amplitude[:, None] * slope
        estimate += (miss * model).sum(axis=1) / (model**2).sum(axis=1)
    energy = rate * pulse.sigma_us * np.sqrt(np.pi) / 2.0 * snr**2
    bound = 1.0 / np.sqrt(energy * ((2.0 * np.pi * 5.0) ** 2 + 0.5 / pulse.sigma_us**2))
    assert bound * 1e3 == pytest.approx(0.2977, abs=5e-4)
    error = estimate - arrival
    assert error.std() / bound == pytest.approx(1.0, abs=0.025)
    assert abs(error.mean()) < 4.0 * bound / np.sqrt(count)


def test_true_arrival_has_one_meaning() -> None:
    """Delay, depth and path add up to the first back-wall echo's reference instant."""
    scenario = Scenario(
        record=RecordTable(bits=16, samples=2000),
        probe=ProbeTable(arrangement="delay_line", path_mm=10.0, delay_us=0.4137),
        wall=WallTable(uniform_mm=(4.0, 9.0), count=40),
        receiver=ReceiverTable(gain=4.0, noise=0.0),
    )
    made = Synthesis(scenario)
    signal = made.waveforms().astype(float)
    depth = made.footprints.truth.axis_mm
    arrival = 0.4137 + 20.0 / PMMA.velocity_mm_per_us + 2.0 * depth / STEEL.velocity_mm_per_us
    time_us = np.arange(2000) / 100.0
    for row in range(40):
        near = np.abs(time_us - arrival[row]) < 0.5
        energy = signal[row, near] ** 2
        # 5 ns: the plastic is dispersive, and energy runs at the group velocity.
        assert energy @ time_us[near] / energy.sum() == pytest.approx(arrival[row], abs=5e-3)


def test_plate_needs_no_path() -> None:
    plate = Plate(path=PMMA, wall=STEEL)
    train = plate.train(OMEGA, STEEL.travel(OMEGA, np.array([[10.0]])), np.array([3]))
    assert train.shape == (1, OMEGA.size)


def test_the_guide_names_every_scenario_key() -> None:
    page = Path(__file__).parents[2] / "ascan/guide/reference/synthetic-signals.md"
    section = page.read_text(encoding="utf-8")
    for table in dataclasses.fields(Scenario):
        if table.default_factory is dataclasses.MISSING:
            keys = [table.name]
        else:
            keys = [key.name for key in dataclasses.fields(table.default_factory)]
        for key in keys:
            assert f"`{key}`" in section or f"[[wall.{key}]]" in section, key
