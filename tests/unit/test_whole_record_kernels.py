"""Kernels of the whole-record fit against sums written out, and derivatives against differences."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from ascan.kernels.arrays import FloatArray
from ascan.learning.arrival_models import vee_path
from ascan.path.aperture import DualGeometry
from ascan.whole_record.aperture import ApertureFamily, ApertureOperator
from ascan.whole_record.frequencies import Frequencies
from ascan.whole_record.layered import LayeredFamily
from ascan.whole_record.operator import Operator
from ascan.whole_record.pulse import PulseBasis
from ascan.whole_record.search import STEP, best_spacings, fit_at, product_at, train_energies
from ascan.whole_record.step_records import Estimate
from ascan.whole_record.window import Window, drop_spikes, trust_less

RATE_MHZ, WIDTH = 100.0, 900
BASIS = PulseBasis(RATE_MHZ, 5.0, 0.6)
RNG = np.random.default_rng(3)


def pulse_at(place: float, size: int = WIDTH, period: float = 20.0) -> FloatArray:
    after = np.arange(size) - place
    return np.asarray(np.cos(2.0 * np.pi * after / period) * np.exp(-0.5 * (after / 12.0) ** 2))


# Search


@pytest.mark.parametrize("place", [0, 40, 100, 160, 199])
def test_product_of_a_pulse_with_samples(place: int) -> None:
    """What of the pulse lies outside the record counts for nothing."""
    samples, pulse, before = RNG.normal(size=200), RNG.normal(size=61), 25
    padded = np.concatenate([np.zeros(100), samples, np.zeros(100)])
    start = 100 + place - before
    assert product_at(samples, pulse, before, place) == pytest.approx(
        float(padded[start : start + 61] @ pulse), abs=1e-9
    )


@pytest.mark.parametrize("turn", [0.0, 7.0, -5.0])
def test_energy_of_a_train_is_that_of_its_sum(turn: float) -> None:
    """Echo n of the train: n + 1 spacings and n turns behind the front; the wall pulse's own."""
    size, spacing, levels = 141, 33.0, np.array([[1.0, 0.6, 0.35], [1.0, -0.5, 0.2]])
    wall, front = RNG.normal(size=size), RNG.normal(size=size)
    own = np.correlate(wall, wall, "full")[size - 1 :]
    shared = np.correlate(wall, front, "full")
    energies = np.empty((1, 2, 2))
    train_energies(own, shared, levels, spacing, turn, energies)
    for f in range(2):
        summed, begins = np.zeros(600), np.zeros(600)
        begins[:size] = front
        for n, height in enumerate(levels[f]):
            # The search takes the turn for one of all later echoes: from the first one to them.
            late = round((n + 1) * spacing + (turn if n > 0 else 0.0))
            summed[late : late + size] += height * wall
        assert energies[0, f, 0] == pytest.approx(float(summed @ summed), rel=1e-9)
        crossed = 0.0
        for n, height in enumerate(levels[f]):
            late = min(round((n + 1) * spacing), size)
            crossed += height * float(front[late:] @ wall[: size - late])
        assert energies[0, f, 1] == pytest.approx(crossed, rel=1e-9)


def test_height_and_energy_of_a_pulse_on_a_sample() -> None:
    """The least-squares height, and what it takes off the weighted sum of squares."""
    shape, before, place = pulse_at(60.0, 121), 60, 300
    weight = (RNG.uniform(size=WIDTH) > 0.1).astype(np.float64)
    samples = weight * (2.5 * pulse_at(300.0) + 0.01 * RNG.normal(size=WIDTH))
    window, none = Window(samples, weight), np.zeros(0)
    height, explained = fit_at(window, none, (shape, before), place)
    part = slice(place - before, place - before + 121)
    column = weight[part] * shape
    best = float(column @ samples[part]) / float(column @ column)
    left = samples[part] - best * column
    assert height == pytest.approx(best, rel=1e-6)
    assert explained == pytest.approx(float(samples[part] @ samples[part] - left @ left), rel=1e-6)


def test_a_clipped_pulse_explains_its_rails_and_no_more() -> None:
    """Where it clips the samples have no weight; the height comes from the rest, 100 here."""
    shape, before, place = pulse_at(60.0, 121), 60, 300
    heard = 100.0 * pulse_at(300.0)
    rails = np.where(np.abs(heard) > 60.0, 60.0 * np.sign(heard), 0.0)
    weight = (rails == 0.0).astype(np.float64)
    samples = heard * weight
    height, explained = fit_at(Window(samples, weight), rails, (shape, before), place)
    assert height == pytest.approx(100.0, rel=1e-9)
    whole = float(samples @ samples) + float(rails @ rails)
    assert explained == pytest.approx(whole, rel=1e-4)
    # One that would stay below the rails is at fault for what it lacks.
    other, less = fit_at(Window(samples, weight), 2.0 * rails, (shape, before), place)
    assert 100.0 < other < 200.0
    model = other * pulse_at(300.0)
    left = weight * (samples - model)
    lacking = np.maximum(2.0 * np.abs(rails) - model * np.sign(rails), 0.0) * (rails != 0.0)
    expected = float(samples @ samples - left @ left) + float(
        4.0 * rails @ rails - lacking @ lacking
    )
    assert less == pytest.approx(expected, rel=1e-3)


def test_a_pulse_outside_the_record_has_no_height() -> None:
    window = Window(np.zeros(50), np.zeros(50))
    assert fit_at(window, np.zeros(0), (pulse_at(60.0, 121), 60), 25) == (0.0, 0.0)


def test_crests_are_taken_by_height_and_apart_from_each_other() -> None:
    least, spacing = 30.0, np.arange(400) * STEP + 30.0
    scores = 4.0 * np.exp(-0.5 * ((spacing - 60.2) / 3.0) ** 2)
    scores += 2.0 * np.exp(-0.5 * ((spacing - 90.0) / 3.0) ** 2)
    candidates = np.full(4, np.nan)
    found = best_spacings(scores, least, 5.0, candidates)
    assert found >= 2
    np.testing.assert_allclose(candidates[:2], [60.2, 90.0], rtol=0.0, atol=0.05)
    assert not (np.abs(candidates[2:found] - 60.2) < 9.0).any()
    assert not (np.abs(candidates[2:found] - 90.0) < 9.0).any()


def test_crests_are_sought_among_the_scores_alone() -> None:
    """A crest that leans down to the last score ends there; what lies behind stays as it is."""
    behind = np.linspace(10.0, 1.0, 40)
    candidates = np.empty(3)
    found = best_spacings(behind[:25], 30.0, 3.0, candidates)
    assert candidates[:found].tolist()[0] == 30.0
    np.testing.assert_array_equal(behind[25:], np.linspace(10.0, 1.0, 40)[25:])


# Windows


def test_samples_under_the_interface_echo_count_by_their_scatter() -> None:
    """As if noise s and scatter c A were independent: 1 / sqrt(1 + (c A / s)²)."""
    samples, weight = np.ones(40), np.ones(40)
    shape, scatter, noise = np.array([0.0, 2.0, -3.0, 1.0]), 5.0, 10.0
    trust_less(Window(samples, weight), shape, 10, scatter, noise, 1)
    largest = np.array([2.0, 3.0, 3.0, 3.0])
    expected = 1.0 / np.sqrt(1.0 + (scatter * largest / noise) ** 2)
    np.testing.assert_allclose(weight[10:14], expected, rtol=1e-6, atol=0.0)
    np.testing.assert_allclose(samples[10:14], expected, rtol=1e-6, atol=0.0)
    assert (weight[:10] == 1.0).all()
    assert (weight[14:] == 1.0).all()


def test_lone_samples_far_off_are_dropped_and_crests_are_kept() -> None:
    residual = 0.1 * np.ones(60)
    residual[20], residual[40:43] = 80.0, (60.0, 80.0, 60.0)
    samples, weight = residual.copy(), np.ones(60)
    assert drop_spikes(residual, 1.0, Window(samples, weight)) == 1
    assert np.flatnonzero(weight == 0.0).tolist() == [20]


# Models


def test_the_vee_path_is_there_and_back() -> None:
    """Two legs, each from an element to the wall: 2 sqrt(d² + s²) / c."""
    path = vee_path(3.0, 5.92, 0.0)
    assert path.thickness_mm[0] < 0.5 < 100.0 < path.thickness_mm[-1]
    expected = 2.0 * np.sqrt(path.thickness_mm**2 + 9.0) / 5.92
    np.testing.assert_allclose(path.time_us, expected, rtol=1e-12, atol=0.0)


def estimate_of(operator: Any, pulses: int, heights: FloatArray, thickness_mm: float) -> Estimate:
    basis = BASIS.fitted(pulse_at(BASIS.before, BASIS.size))
    return Estimate(
        operator=operator,
        pulses=np.stack([basis, 0.7 * basis[::-1]][:pulses]),
        place=np.array([120.3]),
        heights=[heights],
        thickness_mm=np.array([thickness_mm]),
        noise=np.ones(1),
    )


def slopes(
    family: Any, estimate: Estimate, change: FloatArray, usual: float
) -> tuple[FloatArray, Any]:
    """Return difference quotients by the operator's values, and the columns that should be them."""
    heights, thickness = estimate.heights[0], float(estimate.thickness_mm[0])

    def columns() -> Any:
        return family.columns(estimate, float(estimate.place[0]), thickness, heights, usual)

    here, operator, out = columns(), estimate.operator, []
    for k, step in enumerate(change):
        models = []
        for way in (1.0, -1.0):
            values = operator.values()
            values[k] += way * step
            estimate.operator = operator.with_values(values)
            models.append(columns().model)
        estimate.operator = operator
        out.append((models[0] - models[1]) / (2.0 * step))
    return np.array(out), here


def test_slopes_of_a_layered_record() -> None:
    operator = Operator(
        velocity_mm_per_us=5.92, turn_us=0.01, attenuation_db_per_mm=0.02, radius_mm=3.0,
        frequency_mhz=5.0,
    )  # fmt: skip
    family = LayeredFamily(Frequencies(BASIS, WIDTH), operator)
    estimate = estimate_of(operator, 2, np.array([3.0, -1.0, 0.7, -0.4]), 4.3)
    found, here = slopes(family, estimate, np.array([1e-6, 1e-5, 1e-4]), 118.0)
    functions = len(BASIS.functions)
    scale = np.abs(here.model).max()
    for own, expected in zip(here.shared[2 * functions :], found, strict=False):
        np.testing.assert_allclose(own, expected, rtol=0.0, atol=5e-3 * np.abs(expected).max())
    # By the thickness, the place, a height and a coefficient of each pulse.
    heights, place = estimate.heights[0], float(estimate.place[0])

    def model(**moved: Any) -> FloatArray:
        values = {"thickness_mm": 4.3, "place": place, "heights": heights, "usual": 118.0} | moved
        return np.asarray(family.columns(estimate, **values).model)

    own = (model(thickness_mm=4.3 + 1e-5) - model(thickness_mm=4.3 - 1e-5)) / 2e-5
    # A thicker wall is taken for a slower one: what it loses on its longer way is left out.
    np.testing.assert_allclose(here.thicker, own, rtol=0.0, atol=0.05 * np.abs(own).max())
    moved = (model(place=place + 1e-4) - model(place=place - 1e-4)) / 2e-4
    np.testing.assert_allclose(here.own[0], moved, rtol=0.0, atol=0.02 * np.abs(moved).max())
    for k in range(heights.size):
        higher = heights.copy()
        higher[k] += 1.0
        np.testing.assert_allclose(
            here.own[1 + k], model(heights=higher) - here.model, rtol=0.0, atol=1e-9 * scale
        )
    for coefficient in (3, functions + 5):
        estimate.pulses.reshape(-1)[coefficient] += 1.0
        np.testing.assert_allclose(
            here.shared[coefficient], model() - here.model, rtol=0.0, atol=1e-9 * scale
        )
        estimate.pulses.reshape(-1)[coefficient] -= 1.0


def test_slopes_of_a_dual_record() -> None:
    geometry = DualGeometry(
        height_mm=8.0, velocity_mm_per_us=2.35, roof_deg=3.5, width_mm=5.0, length_mm=8.0,
        gap_mm=1.0,
    )  # fmt: skip
    operator = ApertureOperator(
        velocity_mm_per_us=5.92, geometry=geometry, frequency_mhz=5.0, attenuation_db_per_mm=0.1
    )
    family = ApertureFamily(Frequencies(BASIS, WIDTH), operator)
    estimate = estimate_of(operator, 1, np.array([3.0, -1.0]), 6.0)
    sigma = family.sigma
    found, here = slopes(family, estimate, 0.02 * sigma, -500.0)
    functions = len(BASIS.functions)
    for own, expected in zip(here.shared[functions:], found, strict=True):
        most = 0.1 * np.abs(expected).max() + 1e-5 * np.abs(here.model).max()
        np.testing.assert_allclose(own, expected, rtol=0.0, atol=most)
