"""Records by transfer matrices, against closed forms: layers, trips, times.

This is the physics of `benches/physics`, which shares nothing with the engine or with `synthetic/`.
"""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import numpy as np
import pytest

# The benches are no package: they find each other in their own folder.
sys.path.append(str(Path(__file__).resolve().parents[2] / "benches"))

from physics import pulses
from physics.layered_records import Disturbances, Grid, Setup, echoes, places, records
from physics.layers import (
    ACRYLIC,
    AIR,
    GLYCERIN,
    PROBE_FACE,
    STEEL,
    WATER,
    Layer,
    Material,
    impedance_mrayl,
    layer_matrix,
    one_way,
    scattering,
    stack_matrix,
    wavenumber,
)
from physics.piston import mean_pressure
from physics.trips import Stack, Trip, trip_weight

BAND = np.linspace(0.2, 15.0, 75)
SILENT = Disturbances(snr_db=300.0)


def lossless(material: Material) -> Material:
    return dataclasses.replace(material, attenuation_db_per_mm=0.0)


def random_stack(rng: np.random.Generator, loss: float) -> list[Layer]:
    return [
        Layer(
            Material(
                velocity_mm_per_us=rng.uniform(1.0, 7.0),
                density_g_per_cm3=rng.uniform(0.8, 9.0),
                attenuation_db_per_mm=loss,
                power=rng.uniform(0.3, 2.0),
            ),
            rng.uniform(0.01, 3.0),
        )
        for _ in range(rng.integers(0, 7))
    ]


@pytest.mark.parametrize("seed", range(8))
def test_energy_is_kept_without_loss_and_lost_with_it(seed: int) -> None:
    for loss in (0.0, 0.3):
        stack = random_stack(np.random.default_rng(seed), loss)
        got = scattering(lossless(WATER), stack, lossless(STEEL), BAND)
        ratio = WATER.velocity_mm_per_us * WATER.density_g_per_cm3
        ratio /= STEEL.velocity_mm_per_us * STEEL.density_g_per_cm3
        ahead = np.abs(got.reflected) ** 2 + ratio * np.abs(got.through) ** 2
        back = np.abs(got.reflected_back) ** 2 + np.abs(got.through_back) ** 2 / ratio
        if loss == 0.0 or not stack:
            np.testing.assert_allclose(ahead, 1.0, rtol=1e-9, atol=0.0)
            np.testing.assert_allclose(back, 1.0, rtol=1e-9, atol=0.0)
        else:
            assert np.all(ahead < 1.0)
            assert np.all(back < 1.0)


def test_a_layer_is_reciprocal_and_two_halves_are_one() -> None:
    layer = Layer(dataclasses.replace(ACRYLIC, attenuation_db_per_mm=2.0), 3.0)
    half = Layer(layer.material, 1.5)
    np.testing.assert_allclose(np.linalg.det(layer_matrix(layer, BAND)), 1.0, rtol=1e-9, atol=0.0)
    np.testing.assert_allclose(
        stack_matrix([half, half], BAND), layer_matrix(layer, BAND), rtol=1e-9, atol=0.0
    )


def test_a_plate_is_fabry_and_perots() -> None:
    """Sends back r (1 − e) / (1 − r² e), lets through (1 − r²) √e / (1 − r² e).

    With e once round the plate (Airy 1833, from memory).
    """
    near, inside = lossless(WATER), lossless(STEEL)
    z, zi = (m.velocity_mm_per_us * m.density_g_per_cm3 for m in (near, inside))
    r = (zi - z) / (zi + z)
    round_trip = np.exp(-4j * np.pi * BAND * 7.3 / inside.velocity_mm_per_us)
    got = scattering(near, [Layer(inside, 7.3)], near, BAND)
    below = 1.0 - r**2 * round_trip
    np.testing.assert_allclose(got.reflected, r * (1.0 - round_trip) / below, atol=1e-12)
    np.testing.assert_allclose(
        np.abs(got.through), np.abs((1.0 - r**2) / below), rtol=1e-10, atol=0.0
    )


def test_quarter_wave_matches_and_half_wave_is_not_seen() -> None:
    near, far = lossless(WATER), lossless(STEEL)
    z = [float(m.velocity_mm_per_us * m.density_g_per_cm3) for m in (near, far)]
    match = Material(velocity_mm_per_us=2.5, density_g_per_cm3=float(np.sqrt(z[0] * z[1])) / 2.5)
    five = np.array([5.0])
    quarter = scattering(near, [Layer(match, 2.5 / 5.0 / 4.0)], far, five)
    half = scattering(near, [Layer(match, 2.5 / 5.0 / 2.0)], far, five)
    bare = scattering(near, [], far, five)
    assert abs(quarter.reflected[0]) < 1e-12
    assert abs(half.reflected[0] - bare.reflected[0]) < 1e-12
    assert bare.reflected[0].real == pytest.approx((z[1] - z[0]) / (z[1] + z[0]), rel=1e-12)


def test_loss_as_the_root_of_frequency_arrives_as_levys_density() -> None:
    """exp(−A √(i ω)) is A / (2 √π t^1.5) exp(−A² / 4 t): zero before the front (from memory)."""
    a, rate, size = 1.5, 200.0, 2**15
    f = np.fft.rfftfreq(size, 1.0 / rate)
    loss = a / np.sqrt(2.0) * np.sqrt(2.0 * np.pi * 5.0)
    medium = Material(
        velocity_mm_per_us=2.0,
        density_g_per_cm3=1.0,
        attenuation_db_per_mm=loss * 20.0 / np.log(10.0),
        power=0.5,
    )
    # The reference frequency's delay is that of the front plus the root's own at 5 MHz.
    front = 1.0 / 2.0 - loss / (2.0 * np.pi * 5.0)
    wave = np.exp(-1j * wavenumber(medium, f)) * np.exp(2j * np.pi * f * front)
    got = np.fft.irfft(wave, size) * rate
    t = np.arange(1, 400) / rate
    wanted = a / (2.0 * np.sqrt(np.pi) * t**1.5) * np.exp(-(a**2) / (4.0 * t))
    # The density's tail beyond the transform wraps: 1 / √t of it is left.
    np.testing.assert_allclose(got[1:400], wanted, atol=0.004 * wanted.max())


def test_dispersion_is_that_of_kramers_and_kronig_close_by() -> None:
    """α = π ω² / (2 c²) dc/dω for α ∝ f (O'Donnell 1981, J. Acoust. Soc. Am. 69, 696-701)."""
    medium = dataclasses.replace(ACRYLIC, power=1.0)
    f = np.linspace(2.0, 10.0, 401)
    k = wavenumber(medium, f)
    omega = 2.0 * np.pi * f
    speed = omega / k.real
    local = np.pi * omega**2 / (2.0 * speed**2) * np.gradient(speed, omega)
    np.testing.assert_allclose(local[1:-1], -k.imag[1:-1], rtol=0.01, atol=0.0)
    near = wavenumber(dataclasses.replace(medium, power=1.0 + 1e-5), f)
    np.testing.assert_allclose(k, near, rtol=1e-5, atol=0.0)


@pytest.mark.parametrize("power", [0.7, 1.0, 1.3])
def test_dispersed_sound_does_not_come_before_it_was_sent(power: float) -> None:
    """Ahead of the sharp front there is far less with the dispersion than with the loss alone."""
    medium = dataclasses.replace(ACRYLIC, power=power, attenuation_db_per_mm=1.0)
    rate, size = 200.0, 8192
    f = np.fft.rfftfreq(size, 1.0 / rate)
    pulse = pulses.drawn(np.random.default_rng(3), 5.0)
    sent = pulses.spectrum(pulse, f) * rate
    k = wavenumber(medium, f)
    loss_alone = 2.0 * np.pi * f / medium.velocity_mm_per_us + 1j * k.imag
    early = []
    for each in (k, loss_alone):
        heard = np.fft.irfft(sent * np.exp(-20j * each), size)
        # Nothing travels faster than at the band's upper end.
        fastest = 20.0 * k.real[f <= 30.0][-1] / (2.0 * np.pi * 30.0)
        ahead = heard[: int(fastest * rate)]
        early.append(float(np.abs(ahead).max() / np.abs(heard).max()))
    assert early[0] < 0.003
    assert early[1] > 3.0 * early[0]


def test_trips_add_up_to_the_matrix_of_everything() -> None:
    """Probe, lossy line, couplant, paint, wall, liner, water: one matrix, or all its trips."""
    f = np.linspace(2.0, 9.0, 23)
    line = dataclasses.replace(ACRYLIC, attenuation_db_per_mm=0.6)
    wall = dataclasses.replace(STEEL, attenuation_db_per_mm=0.5)
    films = [Layer(GLYCERIN, 0.03), Layer(dataclasses.replace(ACRYLIC, power=1.4), 0.2)]
    liner = [Layer(ACRYLIC, 0.7)]
    path, steel = Layer(line, 7.0), Layer(wall, 6.0)
    whole = scattering(PROBE_FACE, [path, *films, steel, *liner], WATER, f)
    border = scattering(PROBE_FACE, [], line, f)
    stack = Stack(
        front=scattering(line, films, wall, f),
        wall_twice=one_way(steel, f) ** 2,
        path_twice=one_way(path, f) ** 2,
        back=scattering(wall, liner, WATER, f).reflected,
        face=scattering(line, [], PROBE_FACE, f).reflected,
    )
    summed = sum(
        (trip_weight(stack, Trip(n, m)) for n in range(1, 25) for m in range(90)),
        np.zeros(f.size, np.complex128),
    )
    expected = (whole.reflected - border.reflected) / (border.through * border.through_back)
    np.testing.assert_allclose(summed, expected, atol=1e-9)


def ladder(setup: Setup) -> list[tuple[float, float]]:
    """Return when each echo sets in and how high it is: R, T1 T2 r, T1 T2 r R' r ..., repeats."""
    z = [float(impedance_mrayl(m, np.array([5.0]))[0].real) for m in
         (setup.path, setup.wall, setup.backing, setup.face)]  # fmt: skip
    front, back = (z[1] - z[0]) / (z[1] + z[0]), (z[2] - z[1]) / (z[2] + z[1])
    face = (z[3] - z[0]) / (z[3] + z[0])
    line_us = 2.0 * setup.path_mm / setup.path.velocity_mm_per_us
    wall_us = 2.0 * 8.0 / setup.wall.velocity_mm_per_us
    first = [front, *((1.0 - front**2) * back * (-front * back) ** m for m in range(9))]
    second = np.convolve(first, first)[:10] * face
    third = np.convolve(second, first)[:10] * face
    heights = enumerate((first, second, third), start=1)
    return [(n * line_us + m * wall_us, h) for n, row in heights for m, h in enumerate(row)]


@pytest.mark.parametrize("arrangement", ["delay_line", "immersion"])
def test_times_and_heights_of_plane_echoes_are_the_ladders(arrangement: str) -> None:
    setup = Setup(
        arrangement=arrangement,
        pulse=pulses.drawn(np.random.default_rng(5), 5.0),
        path=lossless(ACRYLIC if arrangement == "delay_line" else WATER),
        wall=lossless(STEEL),
        films=(),
        radius_mm=0.0,
        samples=2600,
        start_us=6.003,
        gain=1.0,
    )
    place = places(setup, np.array([8.0]), SILENT, np.random.default_rng(0))[0]
    got, first = echoes(setup, place, Grid.of(setup))
    time = setup.start_us + np.arange(setup.samples) / 100.0 - setup.delay_us
    parts = [height * pulses.samples(setup.pulse, time - at) for at, height in ladder(setup)]
    np.testing.assert_allclose(got, np.sum(parts, axis=0), atol=2e-4)
    np.testing.assert_allclose(first, parts[1], atol=2e-4)


def test_in_contact_the_first_echo_is_the_walls() -> None:
    setup = Setup(
        arrangement="contact",
        pulse=pulses.drawn(np.random.default_rng(6), 5.0),
        wall=lossless(STEEL),
        films=(),
        face=lossless(STEEL),
        radius_mm=0.0,
        samples=600,
        gain=1.0,
    )
    place = places(setup, np.array([6.0]), SILENT, np.random.default_rng(0))[0]
    got = echoes(setup, place, Grid.of(setup))[0]
    time = np.arange(600) / 100.0 - 0.35 - 12.0 / 5.92
    # A probe of the wall's impedance reflects nothing: one echo, turned over by air.
    np.testing.assert_allclose(got, -pulses.samples(setup.pulse, time), atol=2e-4)


@pytest.mark.parametrize("arrangement", ["contact", "delay_line"])
def test_the_first_echo_has_spread_over_its_own_length(arrangement: str) -> None:
    """12 mm of steel, or 24 mm of acrylic glass and as much more as 12 mm of steel are of it."""
    wall, line = lossless(STEEL), lossless(ACRYLIC)
    setup = Setup(
        arrangement=arrangement,
        pulse=pulses.drawn(np.random.default_rng(7), 5.0),
        path=line,
        wall=wall,
        films=(),
        face=wall,
        radius_mm=3.0,
        samples=1800,
        gain=1.0,
    )
    place = places(setup, np.array([6.0]), SILENT, np.random.default_rng(0))[0]
    got = echoes(setup, place, Grid.of(setup))[1]
    contact = arrangement == "contact"
    distance, fast = (12.0, 5.92) if contact else (24.0 + 12.0 * 5.92 / 2.73, 2.73)
    late = 0.35 + 12.0 / 5.92 + (0.0 if contact else 24.0 / 2.73)
    z = [m.velocity_mm_per_us * m.density_g_per_cm3 for m in (wall if contact else line, wall)]
    height = 4.0 * z[0] * z[1] / (z[0] + z[1]) ** 2
    f = np.fft.rfftfreq(4000, 0.01)
    spread = mean_pressure(f, distance, 3.0, fast) * pulses.spectrum(setup.pulse, f)
    wanted = -height * 100.0 * np.fft.irfft(spread * np.exp(-2j * np.pi * f * late), 4000)
    np.testing.assert_allclose(got, wanted[:1800], atol=2e-4)
    assert np.abs(got).max() < 0.9 * height


def test_records_carry_what_was_asked_for() -> None:
    quiet = Setup(
        arrangement="contact",
        pulse=pulses.drawn(np.random.default_rng(10), 5.0),
        samples=1000,
        bits=14,
        backing=AIR,
    )
    walls = np.linspace(4.0, 9.0, 24)
    disturbed = Disturbances(snr_db=34.0, coupling_spread_db=1.0, jitter_ns=2.0, offset=0.05)
    got = records(quiet, walls, disturbed, np.random.default_rng(12))
    assert got.codes.dtype == np.int16
    assert got.codes.shape == (24, 1000)
    np.testing.assert_array_equal(got.axis_mm, walls)
    ahead = got.codes[:, :100] / 2.0**13
    assert np.mean(ahead) == pytest.approx(0.05, abs=1e-3)
    peak = np.abs(got.codes[:, 130:] / 2.0**13 - 0.05).max(axis=1)
    snr = 20.0 * np.log10(peak / ahead.std())
    np.testing.assert_allclose(snr, got.columns["snr_db"], atol=0.8)
    assert np.std(got.columns["coupling_db"]) == pytest.approx(1.0, abs=0.4)
    ring = dataclasses.replace(quiet, ring_down=quiet.pulse, ring_down_height=2.0)
    rung = records(ring, walls[:1], SILENT, np.random.default_rng(12)).codes[0]
    assert np.abs(rung[:60]).max() == 2**13 or rung[:60].max() == 2**13 - 1
