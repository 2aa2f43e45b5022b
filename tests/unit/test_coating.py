"""What a coating does to echoes: sums of its own echoes, one after another."""

from __future__ import annotations

import numpy as np
import pytest

from ascan.path.probe import Probe
from ascan.whole_record.coating import Coating, bare_of, expected_mismatch

MHZ = np.linspace(0.5, 10.0, 20)


def summed(r: float, beneath: float, run: np.ndarray) -> tuple[np.ndarray, list[np.ndarray]]:
    """Return interface echo and two back-wall echoes by following sound from face to face.

    Every pass of the coating multiplies by the square root of ``run``; faces reflect with the other
    sign from behind, and let through 1 + reflection.
    """
    half = np.sqrt(np.abs(run)) * np.exp(0.5j * np.unwrap(np.angle(run)))
    surface = np.full(run.shape, r, np.complex128)
    down, beyond = (1.0 + r) * half, np.zeros(run.shape, np.complex128)
    for _ in range(200):
        beyond = beyond + down * (1.0 + beneath)
        up = down * beneath * half
        surface = surface + up * (1.0 - r)
        down = up * -r * half

    def from_wall(sound: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return what leaves into the path, and what goes back into the wall."""
        back, out = -beneath * sound, np.zeros(run.shape, np.complex128)
        up = (1.0 - beneath) * sound * half
        for _ in range(200):
            out = out + up * (1.0 - r)
            down = up * -r * half
            back = back + down * (1.0 + beneath)
            up = down * beneath * half
        return out, back

    first, again = from_wall(beyond)
    second, _ = from_wall(again)
    return surface, [first, second]


@pytest.mark.parametrize("mismatch", [-0.2, 0.05, 0.45])
def test_factors_are_the_sums_of_all_echoes(mismatch: float) -> None:
    coating = Coating(bare=1.4, mismatch=0.1, frequency_mhz=5.0)
    late_us, loss_per_us = 0.13, 0.4
    relative = MHZ / 5.0
    kept = np.exp(-loss_per_us * late_us * relative * (1.0 - 2j / np.pi * np.log(relative)))
    delay = np.exp(-2j * np.pi * MHZ * late_us)
    r, beneath = np.tanh(mismatch), np.tanh(1.4 - mismatch)
    surface, walls = summed(r, beneath, kept * delay)
    bare, through = np.tanh(1.4), 1.0 - np.tanh(1.4) ** 2
    found = coating.factors(MHZ, late_us, mismatch, loss_per_us, 2) * delay
    np.testing.assert_allclose(found[0] * bare, surface, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(found[1] * through, walls[0], rtol=1e-9, atol=1e-12)
    # Each later back-wall echo has turned at the front: the bare one by -bare.
    np.testing.assert_allclose(found[2] * through * -bare, walls[1], rtol=1e-9, atol=1e-12)


def test_no_coating_changes_nothing() -> None:
    coating = Coating(bare=1.4, mismatch=0.1, frequency_mhz=5.0)
    np.testing.assert_allclose(coating.factors(MHZ, 0.0, 0.3, 0.3, 3), 1.0, rtol=1e-12, atol=0.0)


def test_a_thin_coating_is_as_a_trace_of_wall() -> None:
    # To first order every spacing grows by r (1 − R²) / ((1 + r R) (R + r)) of the delay, from the
    # interface echo to the first as from each back-wall echo to the next.
    coating, late_us, low = Coating(bare=1.4, mismatch=0.1, frequency_mhz=5.0), 1e-5, MHZ[:1]
    r, beneath = np.tanh(0.4), np.tanh(1.0)
    expected = r * (1.0 - beneath**2) / ((1.0 + r * beneath) * (beneath + r)) * late_us
    found = coating.factors(low, late_us, 0.4, 0.0, 2)[:, 0]
    later_us = -np.diff(np.angle(found)) / (2.0 * np.pi * low[0])
    np.testing.assert_allclose(later_us, expected, rtol=1e-4, atol=0.0)


def test_a_thin_coating_is_heard_early_and_late() -> None:
    # Times by the phase of the factors themselves; they leave the run there and back out.
    coating, late_us, low = Coating(bare=1.7, mismatch=0.4, frequency_mhz=5.0), 1e-5, MHZ[:1]
    phase = np.angle(coating.factors(low, late_us, 0.6, 0.0, 2)[:, 0])
    early_us = phase / (2.0 * np.pi * low[0])
    expected = [early_us[0], early_us[1] - early_us[2]]
    found = coating.heard_us(late_us, 0.6)
    np.testing.assert_allclose(found, expected, rtol=1e-3, atol=0.0)


def test_impedances_from_heights_and_densities() -> None:
    # Steel behind acrylic glass: 46.5 over 3.15 MRayl; R = 0.873.
    reflection = (46.47 - 3.15) / (46.47 + 3.15)
    strength = (1.0 - reflection**2) / reflection
    assert bare_of(strength) == pytest.approx(0.5 * np.log(46.47 / 3.15), rel=1e-9)
    water = expected_mismatch(2.5, Probe(arrangement="immersion", frequency_mhz=5.0))
    assert water == pytest.approx(0.5 * np.log(3.5 / 1.48), abs=1e-3)
