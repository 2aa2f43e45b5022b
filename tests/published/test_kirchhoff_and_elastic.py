"""Physical optics against plane elastic waves, where both hold: even and mildly rough walls.

Two physics that share no code, over the same walls: facets under a round element, the walls endless
along y, and finite differences under an endless strip as wide. Physical optics under that strip,
worked out here, stands between them. Every echo is held against that of an even wall of 8 mm in its
own physics, so that pulses, spreading and the way an element pushes fall out.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import hilbert

sys.path.append(str(Path(__file__).resolve().parents[2] / "benches"))

from physics import plane_records as plane
from physics import transfer
from physics.grounds import Ground
from physics.kirchhoff import CONTACT, response
from physics.plane_rasters import WALLS, places
from physics.plane_walls import flat
from physics.transfer import Responses

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
EVEN_MM, HALF_MM, VELOCITY = 8.0, 3.0, 5.92
FREQUENCY_MHZ: Floats = np.arange(2.6, 7.5, 0.2)
KEPT = plane.stored_responses("contact")
PLACES_MM, MIDDLE = places("contact"), np.zeros(1)


def likeness(echo: Complexes, even: Complexes) -> Complexes:
    """Return how much of the even wall's echo is in each, and turned by how much, shape (n,)."""
    return np.asarray(echo @ even.conj() / (even @ even.conj()).real)


def later_us(found: Complexes) -> Floats:
    """Return by how much echoes come later than the even wall's, by their phase at 5 MHz."""
    return np.asarray(-np.angle(found) / (2.0 * math.pi * CONTACT.frequency_mhz))


def elastic(some: Responses, first: int) -> Complexes:
    """Return what finite differences give as analytic signals, 1.2 µs from a sample on."""
    heard, bare = some.signals()
    signal = hilbert(plane.pulsed(heard - bare, plane.Receiver()), axis=1)
    return np.asarray(signal[:, first : first + 120])


def begin(thickness_mm: float) -> int:
    """Return the sample 0.6 µs ahead of an even wall's first echo.

    So long behind it, nothing that went half its way as a transverse wave has come: at 8 mm that
    takes 1.1 µs more, at 5 mm 0.7.
    """
    middle = plane.Receiver().delay_us + 2.0 * thickness_mm / VELOCITY - transfer.START_US
    return round(100.0 * (middle - 0.6))


def step(thickness_mm: float) -> Complexes:
    """Return the first echo of a step by finite differences, shape (samples,)."""
    steps = plane.group(KEPT, "steps")
    one = plane.chosen(steps, steps.truth_mm[:, 0] == thickness_mm)
    return np.asarray(elastic(one, begin(thickness_mm))[0])


def ground_of(wall: Callable[[float], float]) -> Ground:
    """Return a wall as ground that is the same all along y."""
    x = 0.1 * np.arange(-100, 240)
    depth = np.array([wall(float(at)) for at in x])
    return Ground(np.tile(depth, (201, 1)), 0.1, -10.0, -10.0)


def facets(wall: Callable[[float], float], at_mm: Floats) -> Complexes:
    """Return spectra under the round element, weighted by the pulse, shape (n, lines)."""
    middles = np.stack([at_mm, np.zeros(at_mm.size)], axis=1)
    lines = response(ground_of(wall), CONTACT, middles, 1, FREQUENCY_MHZ).lines
    return np.asarray(lines * CONTACT.spectrum(FREQUENCY_MHZ))


def strip(wall: Callable[[float], float], at_mm: Floats) -> Complexes:
    """Return the same under an endless strip: the integral of `kirchhoff` over a line.

    Waves of a line go as exp(−ikR) / √R far from it (Hankel's function, from memory): 1 / 8kR =
    0.3 % off at 8 mm.
    """
    source, off = np.arange(-HALF_MM + 0.05, HALF_MM, 0.1), np.arange(-9.0, 9.0, 0.05) + 0.025
    fade = 0.5 + 0.5 * np.cos(math.pi * np.clip((np.abs(off) - 6.3) / 2.7, 0.0, 1.0))
    found = np.zeros((at_mm.size, FREQUENCY_MHZ.size), np.complex128)
    for n, at in enumerate(at_mm):
        depth = np.array([wall(float(at + each)) for each in off])
        slope = np.gradient(depth, 0.05)
        x = off[:, None] - source
        distance = np.hypot(x, depth[:, None])
        facing = (depth[:, None] - slope[:, None] * x) / distance
        for m, k in enumerate(2.0 * math.pi * FREQUENCY_MHZ / VELOCITY):
            wave = np.exp(-1j * k * distance) / np.sqrt(distance)
            found[n, m] = k * np.sum(fade * wave.sum(axis=1) * (wave * facing).sum(axis=1))
    return found * CONTACT.spectrum(FREQUENCY_MHZ)


def against_even(name: str) -> dict[str, Complexes]:
    """Return each physics' echoes along a wall, against its own echo of an even one, (n,) each."""
    waves = elastic(plane.group(KEPT, name), begin(EVEN_MM))
    return {
        "elastic": likeness(waves, step(EVEN_MM)),
        "strip": likeness(strip(WALLS[name], PLACES_MM), strip(flat(EVEN_MM), MIDDLE)[0]),
        "facets": likeness(facets(WALLS[name], PLACES_MM), facets(flat(EVEN_MM), MIDDLE)[0]),
    }


@pytest.mark.parametrize(
    ("name", "height", "ns"),
    # A grid knows a depth to 0.002 mm: 0.7 ns. 30 µm rms over 0.5 mm lean by 5° rms: slope
    # squared, 0.7 %, is what may go into transverse waves and from facet to facet, which physical
    # optics leaves out. 100 µm over 1 mm lean by 8°: 2 %, and of an echo that is down to a third
    # 6 %, which turn its phase by 0.06 rad or 2 ns.
    [
        ("smooth", 0.005, 0.7),
        ("rough 10 µm", 0.01, 0.7),
        ("rough 30 µm", 0.01, 0.7),
        ("rough 100 µm", 0.025, 2.0),
    ],
)
def test_physical_optics_under_a_strip_is_what_elastic_waves_do(
    name: str, height: float, ns: float
) -> None:
    found = against_even(name)
    assert np.abs(np.abs(found["strip"]) - np.abs(found["elastic"])).max() < height
    off = later_us(found["strip"]) - later_us(found["elastic"])
    assert 1e3 * np.abs(off).max() < ns


@pytest.mark.parametrize(
    ("name", "height", "ns"),
    # A round element hears the middle more than its rims, a strip all alike: the middle third of
    # 6 mm counts 1.25 times as much. Of what roughness does to height and time (10 µm rms at most
    # 4 % and 2.4 ns, 30 µm 14 % and 5 ns) a half may differ, of 100 µm (66 % and 34 ns) a third; a
    # wall that swings by 0.1 mm over 30 mm is even under both but for 0.01 mm.
    [
        ("smooth", 0.02, 1.0),
        ("rough 10 µm", 0.02, 1.2),
        ("rough 30 µm", 0.05, 2.5),
        ("rough 100 µm", 0.22, 11.0),
    ],
)
def test_facets_under_a_round_element_follow_elastic_waves(
    name: str, height: float, ns: float
) -> None:
    """Place by place: near in height and time, and what one physics finds low the other does."""
    found = against_even(name)
    waves, facet = found["elastic"], found["facets"]
    assert np.abs(np.abs(facet) - np.abs(waves)).max() < height
    assert 1e3 * np.abs(later_us(facet) - later_us(waves)).max() < ns
    assert np.corrcoef(np.abs(facet), np.abs(waves))[0, 1] > 0.7
    assert np.corrcoef(later_us(facet), later_us(waves))[0, 1] > 0.9


@pytest.mark.parametrize("thickness_mm", [5.0, 12.0])
def test_time_between_two_even_walls(thickness_mm: float) -> None:
    """Besides 2 d / v, an echo moves by diffraction alone: alike in all, as far as elements are.

    Strip against strip: 2 ns; the grid is late by (k h)² (1 − C²) / 24 = 0.1 % of 1.35 µs at most,
    and Hankel's far field is 0.5 % of a radian off at 5 mm. In all, diffraction turns the echo of a
    strip by an eighth of a period and that of a disc by a quarter (line and point source, from
    memory): between two walls they cannot differ by more than an eighth, 25 ns.
    """
    due = 2.0 * (thickness_mm - EVEN_MM) / VELOCITY
    moved = (begin(thickness_mm) - begin(EVEN_MM)) / 100.0
    waves = moved + later_us(likeness(step(thickness_mm)[None], step(EVEN_MM)))[0] - due
    back = np.exp(2j * math.pi * FREQUENCY_MHZ * due)
    for under, ns in ((strip, 2.0), (facets, 25.0)):
        found = likeness(under(flat(thickness_mm), MIDDLE) * back, under(flat(EVEN_MM), MIDDLE)[0])
        assert 1e3 * abs(later_us(found)[0] - waves) < ns
