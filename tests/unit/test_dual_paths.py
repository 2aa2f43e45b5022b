"""The refracted path and the aperture model of the engine, against brute force and the laboratory.

`ascan_synthetic` works the same physics out in the frequency domain, by its own derivation.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from ascan_synthetic.synthesis import Synthesis
from ascan_synthetic.tables import ProbeTable, ReceiverTable, RecordTable, Scenario, WallTable
from scipy.optimize import minimize

import ascan.path.aperture as aperture_model
from ascan.path.aperture import DualGeometry, first_echoes
from ascan.path.pipe import sagitta_mm
from ascan.path.wedge import Layers, least_time

V, WEDGE = 5.920, 2.35


def geometry(roof_deg: float) -> DualGeometry:
    return DualGeometry(
        height_mm=8.0,
        velocity_mm_per_us=WEDGE,
        roof_deg=roof_deg,
        width_mm=5.0,
        length_mm=8.0,
        gap_mm=1.0,
    )


@pytest.mark.parametrize("depth", [0.5, 1.0, 3.0, 10.0, 25.0])
@pytest.mark.parametrize("offset", [0.0, 2.0, 6.3, 20.0])
def test_least_time_is_the_minimum(depth: float, offset: float) -> None:
    """Fermat: the time over both crossings of the surface and the film, minimised outright."""
    film, heights = 0.05, (7.0, 8.5)
    layers = Layers(
        np.array([[sum(heights)], [2.0 * film], [2.0 * depth]]), np.array([WEDGE, 1.5, V])
    )
    time, slowness = least_time(layers, np.array([offset]))

    def travel(x: np.ndarray) -> float:
        a, b, c, d = x
        run = math.hypot(a, heights[0]) / WEDGE + math.hypot(b, film) / 1.5
        run += math.hypot(offset - a - b - c - d, 2.0 * depth) / V
        return run + math.hypot(c, film) / 1.5 + math.hypot(d, heights[1]) / WEDGE

    options = {"xatol": 1e-10, "fatol": 1e-14, "maxiter": 20_000, "maxfev": 20_000}
    found = minimize(travel, [offset / 4.0] * 4, method="Nelder-Mead", options=options)
    assert time[0] == pytest.approx(found.fun, abs=1e-8)
    assert 0.0 <= slowness[0] < 1.0 / V


def test_plain_v_without_a_wedge() -> None:
    """A wedge of no height leaves t = 2 √(d² + s²) / v."""
    depth = np.array([1.0, 5.0, 25.0])
    layers = Layers(np.stack([np.full(3, 1e-9), 2.0 * depth]), np.array([WEDGE, V]))
    time, _ = least_time(layers, np.full(3, 3.0))
    assert time == pytest.approx(2.0 * np.hypot(depth, 1.5) / V, abs=1e-6)


def test_published_refraction() -> None:
    """Snell: a roof of 3.5 / 5 / 7° in 2730 m/s gives 7.607 / 10.894 / 15.324° in steel (exact)."""
    for roof, expected in ((3.5, 7.607), (5.0, 10.894), (7.0, 15.324)):
        slowness = math.sin(math.radians(roof)) / 2.730
        layers = Layers(np.ones((2, 1)), np.array([2.730, V]))
        sine = layers.sines(np.array([slowness]))
        assert math.degrees(math.asin(sine[1, 0])) == pytest.approx(expected, abs=5e-4)


@pytest.mark.parametrize("roof_deg", [0.0, 3.5, 8.0])
def test_echoes_are_those_of_the_laboratory(roof_deg: float) -> None:
    """Time-domain sum over cells here, frequency-domain quadrature there: the same heads.

    Within 8 % of the largest sample of each head: the converted arrival of 2 mm reaches into it,
    and the two take transverse velocities 0.3 % apart (3.230 and 3.240 mm/µs: both are in
    handbooks). Where it does not, 3 %: cells, and the laboratory's loss in the steel.
    """
    depth = (1.0, 2.0, 5.0, 12.0, 25.0)
    made = Synthesis(
        Scenario(
            record=RecordTable(samples=1600, start_us=4.0, bits=16),
            probe=ProbeTable(arrangement="dual", roof_deg=roof_deg, delay_us=0.0),
            wall=WallTable(steps_mm=depth),
            receiver=ReceiverTable(gain=0.5, noise=0.0),
        )
    )
    time = 4.0 + np.arange(1600) / 100.0
    theirs = made.waveforms().astype(float)
    ours = first_echoes(geometry(roof_deg), np.array(depth), V, 5.0, time)
    onset = geometry(roof_deg).middle_time_us(np.array(depth), V)
    for row, begin in enumerate(onset):
        head = (time > begin - 1.0) & (time < begin + 0.12)
        a, b = ours[row, head], theirs[row, head]
        b = b * (a @ b) / (b @ b)
        most = 0.08 if depth[row] == 2.0 else 0.03
        assert np.abs(a - b).max() < most * np.abs(a).max()


def test_cells_are_fine_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twice as many cells move the opening crest by less than 0.1 ns."""
    time = np.arange(6.5, 9.0, 0.0005)
    crests = []
    for factor in (1, 2):
        monkeypatch.setattr(aperture_model, "ACROSS", 48 * factor)
        monkeypatch.setattr(aperture_model, "ALONG", 12 * factor)
        echo = first_echoes(geometry(3.5), np.array([3.0]), V, 5.0, time)[0]
        top = int(np.argmax(echo[: np.searchsorted(time, 7.86)]))
        a, b, c = echo[top - 40], echo[top], echo[top + 40]
        crests.append(time[top] + 0.02 * 0.5 * (a - c) / (a - 2.0 * b + c))
    assert crests[0] == pytest.approx(crests[1], abs=1e-4)


def test_crown() -> None:
    """R − √(R² − s²), exactly, is the sagitta to second order."""
    radius, s = 30.0, 1.5
    exact = radius - math.sqrt(radius**2 - s**2)
    assert sagitta_mm(s, 2.0 * radius)[0] == pytest.approx(exact, rel=2e-3)
