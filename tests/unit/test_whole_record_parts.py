"""Parts of the whole-record fit against plain numpy."""

from __future__ import annotations

import numpy as np
import pytest

from ascan.kernels.subsample import cosine_height
from ascan.path.aperture import DualGeometry
from ascan.whole_record.aperture import ApertureOperator
from ascan.whole_record.bank import lay, make_bank
from ascan.whole_record.columns import cholesky, lay_waves, solve_root
from ascan.whole_record.operator import Operator
from ascan.whole_record.pulse import PulseBasis, own_stretch
from ascan.whole_record.search import crest_offset


def gaussian(size: int, before: int, late: float) -> np.ndarray:
    after = np.arange(size) - before - late
    return np.cos(2.0 * np.pi * after / 20.0) * np.exp(-0.5 * (after / 12.0) ** 2)


@pytest.mark.parametrize("late", [-0.5, -0.31, 0.0, 0.17, 0.4999])
def test_a_laid_shape_is_the_pulse_moved(late: float) -> None:
    bank = make_bank(gaussian(161, 80, 0.0), Operator(velocity_mm_per_us=5.92), 100.0, (0, 50))
    shape, slope = np.empty(161, np.float32), np.empty(161, np.float32)
    lay(bank.shapes, (bank.least_mm, bank.step), 7.3, late, shape, slope)
    np.testing.assert_allclose(shape, gaussian(161, 80, late), rtol=0.0, atol=3e-6)
    steep = (gaussian(161, 80, late - 1e-4) - gaussian(161, 80, late + 1e-4)) / 2e-4
    # Slopes are carried to first order between places: ½ (1/16)² of the third derivative.
    np.testing.assert_allclose(slope, steep, rtol=0.0, atol=1e-4)


def test_attenuation_is_decibels_along_the_path_at_the_probe_frequency() -> None:
    operator = Operator(velocity_mm_per_us=5.92, attenuation_db_per_mm=0.02, frequency_mhz=5.0)
    heard = operator.response(np.array([5.0]), np.array([10.0]))[0, 0]
    assert 20.0 * np.log10(abs(heard)) == pytest.approx(-0.02 * 2.0 * 10.0, abs=1e-12)


def test_a_pulse_of_the_band_is_its_own_sum_of_functions() -> None:
    basis = PulseBasis(100.0, 5.0, 0.6)
    pulse = gaussian(basis.size, basis.before, 0.0)
    fitted = basis.fitted(pulse) @ basis.functions
    # What the rounded ends and the edges of the band leave: 60 dB below the pulse.
    np.testing.assert_allclose(fitted, pulse, rtol=0.0, atol=1e-3)
    assert 30 <= len(basis.functions) <= 60


def test_own_stretch_keeps_what_holds_energy() -> None:
    pulse = gaussian(400, 200, 0.0)
    first, last = own_stretch(pulse[None], 200, 0.0)
    assert 200 - 60 <= first <= 200 - 30
    assert 200 + 30 <= last <= 200 + 60
    outside = np.sum(pulse[:first] ** 2) + np.sum(pulse[last:] ** 2)
    assert outside <= 1e-6 * np.sum(pulse**2)


def test_root_solves_as_numpy_does() -> None:
    rng = np.random.default_rng(1)
    half = rng.normal(size=(30, 8))
    gram, right = half.T @ half, rng.normal(size=8)
    root, solved = gram.copy(), right.copy()
    cholesky(root, 8)
    solve_root(root, 8, solved)
    np.testing.assert_allclose(solved, np.linalg.solve(gram, right), rtol=1e-9, atol=0.0)


def test_baseline_waves_are_the_cosines() -> None:
    waves = np.empty((4, 777), np.float32)
    lay_waves(np.ones(777, np.float32), waves)
    phase = np.pi * np.outer(np.arange(4), np.arange(777) + 0.5) / 777
    np.testing.assert_allclose(waves, np.cos(phase) / np.sqrt(777), rtol=0.0, atol=1e-6)


def test_crest_of_a_parabola() -> None:
    assert crest_offset(-((0.3 + 1.0) ** 2), -(0.3**2), -((0.3 - 1.0) ** 2)) == pytest.approx(0.3)


@pytest.mark.parametrize("phase", [-0.6, -0.2, 0.0, 0.35, 0.62])
@pytest.mark.parametrize("turn", [0.2, 0.9, 1.25])
def test_three_samples_tell_the_height_of_a_cosine(phase: float, turn: float) -> None:
    samples = -3.0 * np.cos(phase + turn * np.array([-1.0, 0.0, 1.0]))
    assert cosine_height(*samples) == pytest.approx(3.0, rel=1e-9)


def test_aperture_operator_gives_its_values_back() -> None:
    geometry = DualGeometry(
        height_mm=8.0,
        velocity_mm_per_us=2.35,
        roof_deg=3.5,
        width_mm=5.0,
        length_mm=8.0,
        gap_mm=1.0,
    )
    operator = ApertureOperator(velocity_mm_per_us=5.92, geometry=geometry, frequency_mhz=5.0)
    moved = operator.values() + np.array([1e-3, 0.1, 0.2, 0.05, 0.01, 0.002, 0.01])
    np.testing.assert_allclose(operator.with_values(moved).values(), moved, rtol=1e-12, atol=0.0)
