"""The dual-element integral: against direct summation, its least-time ray, and plain V geometry."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from ascan_synthetic.aperture import DualProbe, converted, least_time
from ascan_synthetic.medium import STEEL, STEEL_SHEAR_MM_PER_US
from ascan_synthetic.pulse import CausalPulse
from ascan_synthetic.response import Band, DualElement, Place
from scipy.optimize import minimize

V = STEEL.velocity_mm_per_us
OMEGA = 2.0 * np.pi * np.arange(0.1, 12.0, 0.05)


def direct_sum(probe: DualProbe, thickness_mm: float, across: int, along: int) -> np.ndarray:
    """Return the double surface integral, pair of points by pair of points."""
    u = (np.arange(across) + 0.5) / across * probe.width_mm - probe.width_mm / 2.0
    v = (np.arange(along) + 0.5) / along * probe.length_mm - probe.length_mm / 2.0
    roof = math.radians(probe.roof_deg)
    outward = probe.gap_mm / 2.0 + probe.width_mm / 2.0 * math.cos(roof) + u * math.cos(roof)
    height = probe.height_mm - u * math.sin(roof)
    total = np.zeros(OMEGA.size, np.complex128)
    y = np.subtract.outer(v, v).ravel()
    for x1, h1 in zip(outward, height, strict=True):
        for x2, h2 in zip(outward, height, strict=True):
            offset = np.hypot(x1 + x2, y)
            layers, velocity = probe.legs(thickness_mm, np.full_like(offset, h1 + h2), 2, 0)
            rays = least_time(offset, layers, velocity)
            total += np.exp(-1j * np.multiply.outer(OMEGA, rays.time_us)) @ rays.spreading_per_mm
    pairs = (across * along) ** 2
    area = probe.width_mm * probe.length_mm
    return 1j * OMEGA * total / pairs * area / (2.0 * np.pi * probe.wedge.velocity_mm_per_us)


def test_two_integrals_stand_for_four() -> None:
    """Triangles of sums and differences against all pairs of a 40 × 24 grid on each element."""
    probe = DualProbe(width_mm=4.0, length_mm=5.0)
    echo = probe.echo(OMEGA, 6.0)
    direct = direct_sum(probe, 6.0, 40, 24)
    scale = echo[np.argmax(np.abs(echo))] / direct[np.argmax(np.abs(echo))]
    # The grid's midpoint rule is off by (π f Δt)²/6 of the steepest phase across a cell: < 1 %.
    assert np.abs(echo - scale * direct).max() < 0.01 * np.abs(echo).max()
    assert abs(scale.imag / scale.real) < 1e-3


@pytest.mark.parametrize("thickness_mm", [1.0, 3.0, 10.0, 25.0])
def test_least_time_is_the_minimum_over_refraction_points(thickness_mm: float) -> None:
    """Brute force: the time over the two crossing points of the interface, minimised."""
    wedge_velocity, heights, offset = 2.35, (7.0, 8.5), 6.3
    rays = least_time(
        np.array([offset]), [np.array([sum(heights)]), np.array([2.0 * thickness_mm])],
        [wedge_velocity, V],
    )  # fmt: skip

    def time(points: np.ndarray) -> float:
        down, up = points
        wedges = math.hypot(down, heights[0]) + math.hypot(offset - up, heights[1])
        return wedges / wedge_velocity + math.hypot(up - down, 2.0 * thickness_mm) / V

    found = minimize(time, [0.3 * offset, 0.7 * offset], method="Nelder-Mead",
                     options={"xatol": 1e-10, "fatol": 1e-14, "maxiter": 4000})  # fmt: skip
    assert rays.time_us[0] == pytest.approx(found.fun, abs=1e-9)


@pytest.mark.parametrize("depth_mm", [1.0, 5.0, 25.0])
def test_plain_v_as_the_wedge_height_goes_to_zero(depth_mm: float) -> None:
    """Exit points 2 s apart, no wedge left: t = 2 √(d² + s²) / v (V-path geometry)."""
    s = 1.5
    tiny = 1e-9
    rays = least_time(
        np.array([2.0 * s]), [np.array([tiny]), np.array([2.0 * depth_mm])], [2.35, V]
    )
    assert rays.time_us[0] == pytest.approx(2.0 * math.hypot(depth_mm, s) / V, abs=1e-6)
    assert 1.0 / rays.spreading_per_mm[0] > 0.0


def test_published_v_path_times() -> None:
    """V = 5920 m/s, 2 s = 3 mm: 0.60905 µs at 1 mm, 1.13314 at 3, 8.46113 at 25 (check table)."""
    for depth, time in ((1.0, 0.60905), (3.0, 1.13314), (25.0, 8.46113)):
        rays = least_time(np.array([3.0]), [np.array([2.0 * depth])], [V])
        assert rays.time_us[0] == pytest.approx(time, abs=5e-6)


@pytest.mark.parametrize("thickness_mm", [2.0, 5.0, 15.0])
def test_onset_is_the_least_time_over_all_pairs(thickness_mm: float) -> None:
    """Before the earliest ray, less the pulse's lead, nothing arrives; soon after, something."""
    probe, pulse = DualProbe(nodes=48), CausalPulse(5.0, 0.6, 5)
    size, rate = 4096, 100.0
    omega = 2.0 * np.pi * np.fft.rfftfreq(size, 1.0 / rate)
    spectrum = np.zeros(omega.size, np.complex128)
    spectrum[1:] = probe.echo(omega[1:], thickness_mm) * pulse.spectrum(omega[1:])
    signal = np.fft.irfft(spectrum, size)
    begin_us = probe.earliest_us(thickness_mm) - pulse.lead_us
    before = signal[: int(begin_us * rate)]
    assert np.abs(before).max() < 2e-3 * np.abs(signal).max()
    assert np.abs(signal[: int((begin_us + 0.6) * rate)]).max() > 0.05 * np.abs(signal).max()


def test_thin_walls_send_a_second_echo_as_large_as_the_first() -> None:
    """The beams cross at a depth: half way to it the second echo, twice as deep, is the larger."""
    probe = DualProbe()
    ratio = {
        d: np.abs(probe.echo(OMEGA, d, 2)).max() / np.abs(probe.echo(OMEGA, d)).max()
        for d in (2.0, 5.0, 20.0)
    }
    assert ratio[2.0] > 1.0
    assert ratio[5.0] > 1.2
    assert ratio[20.0] < 0.5


def test_library_is_the_integral() -> None:
    """The interpolated spectra against the integral at depths between the nodes: 0.1 %."""
    probe = DualProbe()
    dual = DualElement(probe=probe, echoes=2, conversion=0.0)
    band = Band(OMEGA, 40.0)
    depths = np.array([1.237, 4.321, 17.77])
    place = Place(depths[:, None], np.ones(1), np.zeros(3), np.ones(3))
    found = dual.spectra(band, place)
    reference = np.abs(probe.echo(OMEGA, 5.0)).max()
    for row, depth in enumerate(depths):
        plain = sum(
            probe.echo(OMEGA, depth, n) * np.abs(STEEL.travel(OMEGA, 2.0 * n * depth))
            for n in (1, 2)
        )
        assert np.abs(found[row] - plain / reference).max() < 1e-3


def test_mode_converted_arrival_comes_between_the_first_and_second_echo() -> None:
    probe = DualProbe()
    offset, height, _ = probe.pairs()
    times = {}
    for name, (down, shear) in {"LL": (2, 0), "LS": (1, 1), "LLLL": (4, 0)}.items():
        layers, velocity = probe.legs(8.0, height, down, shear)
        times[name] = least_time(offset, layers, velocity).time_us.min()
    assert times["LL"] < times["LS"] < times["LLLL"]
    straight = 8.0 / V + 8.0 / STEEL_SHEAR_MM_PER_US - 16.0 / V
    assert times["LS"] - times["LL"] == pytest.approx(straight, rel=0.05)


def test_conversion_vanishes_straight_down_and_conserves_energy() -> None:
    """A free surface splits a longitudinal wave: R_LL² + R_LS² (v_S cos θ_S / v_L cos θ_L) = 1.

    R_LL from the same boundary conditions: (4p²ab − (1/vS² − 2p²)²) / (4p²ab + (1/vS² − 2p²)²).
    """
    p = np.array([1e-9, 0.02, 0.06, 0.12])
    a, b = np.sqrt(1.0 / V**2 - p**2), np.sqrt(1.0 / STEEL_SHEAR_MM_PER_US**2 - p**2)
    twice = (1.0 / STEEL_SHEAR_MM_PER_US**2 - 2.0 * p**2) ** 2
    plain = (4.0 * p**2 * a * b - twice) / (4.0 * p**2 * a * b + twice)
    share = converted(p)
    energy = plain**2 + share**2 * (b * STEEL_SHEAR_MM_PER_US**2) / (a * V**2)
    assert share[0] == pytest.approx(0.0, abs=1e-6)
    assert energy == pytest.approx(1.0, abs=1e-9)


def test_a_hot_wedge_delays_the_echo() -> None:
    """Polystyrene slows by about 2 m/s per °C (from memory): 8 mm twice, 30 °C, some 0.18 µs."""
    cold = DualProbe()
    hot = dataclasses.replace(cold, wedge=cold.wedge.at(30.0))
    delay = hot.earliest_us(10.0) - cold.earliest_us(10.0)
    expected = 16.0 / (2.35 - 0.06) - 16.0 / 2.35
    assert delay == pytest.approx(expected, rel=0.05)
