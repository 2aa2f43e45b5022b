"""Pulses, pistons and grain of the layered records, against closed forms and plain sums.

This is the physics of `benches/physics`, which shares nothing with the engine or with `synthetic/`.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.special import j0, j1

# The benches are no package: they find each other in their own folder.
sys.path.append(str(Path(__file__).resolve().parents[2] / "benches"))

from physics import pulses
from physics.grain import Grain, Inside, Scatterers, grain_response
from physics.layered_records import Disturbances, Grid, Setup, echoes, grain_of, places
from physics.layers import ACRYLIC, STEEL, wavenumber
from physics.piston import mean_pressure, scaled_distance_mm

BAND = np.linspace(0.2, 15.0, 75)
SILENT = Disturbances(snr_db=300.0)


@pytest.mark.parametrize("seed", range(6))
def test_pulses_are_zero_before_they_start_and_are_their_spectrum(seed: int) -> None:
    pulse = pulses.drawn(np.random.default_rng(seed), 5.0)
    time = np.arange(-400, 4096 - 400) / 400.0
    drawn = pulses.samples(pulse, time)
    assert np.all(drawn[time <= 0.0] == 0.0)
    assert np.abs(drawn).max() == pytest.approx(1.0, abs=1e-3)
    assert np.abs(drawn[time > pulses.length_us(pulse) + 0.01]).max() < 1e-4
    f = np.fft.rfftfreq(time.size, 1.0 / 400.0)
    summed = np.fft.rfft(drawn) / 400.0 * np.exp(2j * np.pi * f * 1.0)
    wanted = pulses.spectrum(pulse, f)
    assert wanted[0] == 0.0
    np.testing.assert_allclose(summed, wanted, atol=1e-4 * np.abs(wanted).max())


def test_pulses_differ_in_phase_in_flanks_and_in_ringing() -> None:
    rng = np.random.default_rng(11)
    f = np.linspace(0.1, 15.0, 1500)
    lean, late = [], []
    for _ in range(60):
        pulse = pulses.drawn(rng, 5.0)
        size = np.abs(pulses.spectrum(pulse, f))
        loud = f[size > 0.5 * size.max()]
        lean.append((loud[0] + loud[-1]) / 2.0 - f[size.argmax()])
        late.append(pulses.length_us(pulse, 40.0))
    assert min(lean) < -0.1
    assert max(lean) > 0.1
    assert max(late) > 1.6 * min(late)


def test_the_piston_is_the_sum_over_both_its_faces() -> None:
    """Mean over both discs of i exp(−ikr) / (λ r), summed pair by pair over rings and angles."""
    radius, velocity, distance, f = 3.0, 5.92, 9.0, 5.0
    wavelength = velocity / f
    ring = (np.arange(80) + 0.5) / 80 * radius
    angle = (np.arange(160) + 0.5) / 160 * np.pi
    out, back, turn = np.meshgrid(ring, ring, angle, indexing="ij")
    apart = np.sqrt(distance**2 + out**2 + back**2 - 2.0 * out * back * np.cos(turn))
    wave = 1j / wavelength * np.exp(-2j * np.pi * (apart - distance) / wavelength) / apart
    cell = (radius / 80) ** 2 * (np.pi / 160)
    whole = (out * back * wave).sum() * cell * 2.0 * 2.0 * np.pi
    got = mean_pressure(np.array([f, f + 0.1]), distance, radius, velocity)[0]
    assert abs(whole / (np.pi * radius**2) - got) < 2e-3


def test_the_piston_is_lommels_where_it_is_many_wavelengths_wide() -> None:
    """1 − exp(−2πi/s) (J0(2π/s) + i J1(2π/s)) (Rogers & Van Buren 1974, JASA 55, 724-728)."""
    radius, velocity = 40.0, 1.0
    f = np.linspace(5.0, 10.0, 11)
    for s in (0.3, 0.8, 2.0, 6.0):
        distance = s * radius**2 * 5.0 / velocity
        turns = 2.0 * np.pi * radius**2 * f / (distance * velocity)
        closed = 1.0 - np.exp(-1j * turns) * (j0(turns) + 1j * j1(turns))
        got = mean_pressure(f, distance, radius, velocity)
        np.testing.assert_allclose(got, closed, atol=2e-4)


def test_the_piston_near_by_is_plane_and_far_off_is_area_over_wavelength_distance() -> None:
    f = np.linspace(1.0, 10.0, 10)
    near = mean_pressure(f, 0.05, 6.0, 1.483)
    assert np.all(np.abs(near[4:] - 1.0) < 0.01)
    distance = 4000.0
    far = mean_pressure(f, distance, 3.0, 5.92)
    np.testing.assert_allclose(
        np.abs(far), np.pi * 9.0 * f / (5.92 * distance), rtol=1e-3, atol=0.0
    )
    np.testing.assert_allclose(np.angle(far), 0.5 * np.pi, atol=0.03)


def test_scaled_distance_is_close_to_refraction_itself() -> None:
    """Line and wall of one density: plane waves of all angles, each with its own two phases.

    2 ∫ J1²(κ a) / sin ψ exp(−i Σ (k_z − k) d) dψ, κ = k sin ψ (Goodman 1968, from memory).
    """
    radius, line, steel, f = 3.0, 2.73, 5.92, 5.0
    psi = (np.arange(20000) + 0.5) / 20000 * 0.5 * np.pi
    ks = 2.0 * np.pi * f / np.array([line, steel])
    kappa = ks[0] * np.sin(psi)
    for wall_mm in (3.0, 10.0, 20.0):
        phase = np.zeros(psi.size, np.complex128)
        for k, length in zip(ks, (24.0, 2.0 * wall_mm), strict=True):
            phase += (np.conj(np.sqrt(k**2 - kappa**2 + 0j)) - k) * length
        terms = 2.0 * j1(kappa * radius) ** 2 / np.sin(psi) * np.exp(-1j * phase)
        whole = terms.sum() * (0.5 * np.pi / psi.size)
        distance = scaled_distance_mm([24.0, 2.0 * wall_mm], [line, steel], line)
        got = mean_pressure(np.array([f, f + 0.1]), distance, radius, line)[0]
        assert abs(got / whole - 1.0) < 0.02
        late_ns = 1e3 * np.angle(got / whole) / (2.0 * np.pi * f)
        assert abs(late_ns) < 0.5


def test_one_grain_is_heard_along_every_way_to_it_and_back() -> None:
    """Every way counted on its own: rounds before and after, from above and from below."""
    k = wavenumber(STEEL, BAND)
    front, back = np.full(BAND.size, -0.6 + 0.1j), np.full(BAND.size, 0.7 - 0.2j)
    inside = Inside(wavenumber=k, thickness_mm=5.0, front=front, back=back, rounds=3)
    one = Scatterers(depth_mm=np.array([1.3]), reflects=np.array([0.8]))
    wanted = np.zeros(BAND.size, np.complex128)
    for before in range(4):
        for after in range(4 - before):
            rounds, path = before + after, 10.0 * (before + after)
            wanted += front**rounds * back**rounds * np.exp(-1j * k * (path + 2.6))
            wanted += front**rounds * back ** (rounds + 2) * np.exp(-1j * k * (path + 17.4))
    got = grain_response(BAND, inside, one, Grain(below_db=20.0))
    np.testing.assert_allclose(got, 0.8 * wanted * (BAND / 5.0) ** 2, rtol=1e-9, atol=0.0)


def test_grain_is_as_low_as_stated_behind_the_front_and_in_the_band() -> None:
    setup = Setup(
        arrangement="delay_line",
        pulse=pulses.drawn(np.random.default_rng(8), 5.0),
        start_us=7.0,
        samples=1200,
    )
    rng, grid = np.random.default_rng(9), Grid.of(setup)
    place = places(setup, np.array([12.0]), SILENT, rng)[0]
    echo = np.abs(echoes(setup, place, grid)[1]).max()
    noise = echo * grain_of(setup, place, grid, Grain(below_db=26.0, decay_db_per_mm=0.3), rng)
    front = 0.35 + 24.0 / ACRYLIC.velocity_mm_per_us
    at = [int((us - 7.0) * 100.0) for us in (front, front + 0.25, front + 24.0 / 5.92)]
    # Glycerin and paths of one density: nothing ahead of the front but what dispersion allows.
    assert np.abs(noise[: at[0] - 2]).max() < 2e-3 * np.abs(noise).max()
    rms = np.sqrt(np.mean(noise[at[1] : at[2]] ** 2))
    assert 20.0 * np.log10(rms / echo) == pytest.approx(-26.0, abs=1.0)
    half = (at[1] + at[2]) // 2
    assert np.std(noise[at[1] : half]) > np.std(noise[half : at[2]])
    power = np.abs(np.fft.rfft(noise)) ** 2
    f = np.fft.rfftfreq(noise.size, 0.01)
    assert power[(f > 1.5) & (f < 12.0)].sum() > 0.98 * power.sum()
