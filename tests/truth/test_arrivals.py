"""Synthetic arrivals against closed forms: spacing, reflection coefficients, amplitudes."""

from __future__ import annotations

import numpy as np
import pytest
from ascan_synthetic.medium import AIR, PMMA, STEEL, WATER, Medium, reflection, transmission
from ascan_synthetic.plates import behind_path, contact, wall_train
from ascan_synthetic.pulse import GaussianPulse

BARE_STEEL = Medium(5.900, 7.700)


def test_reflection_coefficients() -> None:
    """Steel of 45.43 MRayl against water, PMMA: −0.9369, −0.8703 (computed from E494 and water)."""
    water = Medium(1.48236, 0.9982)
    pmma = Medium(2.670, 1.180)
    assert BARE_STEEL.impedance_mrayl == pytest.approx(45.43, abs=5e-3)
    assert reflection(BARE_STEEL, water) == pytest.approx(-0.9369, abs=5e-5)
    assert transmission(BARE_STEEL, water) == pytest.approx(0.0631, abs=5e-5)
    assert reflection(water, BARE_STEEL) == pytest.approx(0.9369, abs=5e-5)
    assert reflection(BARE_STEEL, pmma) == pytest.approx(-0.8703, abs=5e-5)
    # Energy: what is not reflected is transmitted, R² + T₁₂ T₂₁ = 1.
    both = transmission(BARE_STEEL, water) * transmission(water, BARE_STEEL)
    assert reflection(BARE_STEEL, water) ** 2 + both == pytest.approx(1.0, abs=1e-12)


def test_echo_spacing_and_ratio() -> None:
    """Spacing 2 d / v; water on both sides: ratio of successive echoes 0.9369² = 0.8778."""
    train = wall_train(BARE_STEEL, np.array([10.0]), WATER, WATER)
    assert np.diff(train.time_us[0]) == pytest.approx(20.0 / 5.9, abs=1e-12)
    ratio = train.amplitude[0, 1:] / train.amplitude[0, :-1]
    assert ratio == pytest.approx(0.8778, abs=1e-4)
    air_backed = wall_train(BARE_STEEL, np.array([10.0]), PMMA, AIR)
    assert air_backed.amplitude[0, 1] / air_backed.amplitude[0, 0] == pytest.approx(
        0.8703, abs=5e-4
    )


def test_contact_train_starts_after_the_delay() -> None:
    echoes = contact(STEEL, np.array([5.92]), PMMA, 0.4)
    assert echoes.time_us[0, :3] == pytest.approx([2.4, 4.4, 6.4], abs=1e-12)


def test_water_path_repeats_and_carries_the_train() -> None:
    """Surface at delay + 2 L / c, its repeats at once more of it; walls after each of them."""
    echoes = behind_path(STEEL, np.array([5.92]), WATER, np.array([14.8236]), 0.3)
    order = np.argsort(echoes.time_us[0])
    time, size = echoes.time_us[0][order], echoes.amplitude[0][order]
    assert time[0] == pytest.approx(20.3, abs=1e-12)
    assert size[0] == pytest.approx(reflection(WATER, STEEL), abs=1e-12)
    for repeat in (20.3, 40.3, 60.3):
        assert np.abs(time - repeat).min() < 1e-9
    first_wall = time > 20.3 + 1e-6
    assert time[first_wall][0] == pytest.approx(22.3, abs=1e-12)
    # Surface and wall echo have opposite polarity: hard surface, soft back.
    assert size[0] > 0.0 > size[first_wall][0]


def test_sampling_puts_the_reference_instant_where_it_belongs() -> None:
    """The energy centroid of a sampled echo is its arrival, at any phase of the samples."""
    train = contact(STEEL, np.array([5.92]), PMMA, 0.40371)
    pulse = GaussianPulse(5.0)
    samples = train.sample(pulse, 100.0, np.array([1.0]), 300)
    time_us = 1.0 + np.arange(300) / 100.0
    near = np.abs(time_us - 2.40371) < 0.6
    energy = samples[0, near] ** 2
    assert energy @ time_us[near] / energy.sum() == pytest.approx(2.40371, abs=1e-9)
