"""The calibration curve: plain least squares where it must be, honest between the steps."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from ascan.base.errors import AscanError
from ascan.calibration.curve import PathModel, _Mixture, choose_curve, fit_curve
from ascan.calibration.line import fit_line
from ascan.calibration.step_means import StepMeans
from ascan.calibration.vee_fit import fit_vee
from ascan.kernels.arrays import FloatArray

V = 5.920
STEPS = np.array([2.0, 3.0, 5.0, 8.0, 12.0, 18.0, 25.0])
WIDE = np.geomspace(0.2, 200.0, 400)


def means(thickness: FloatArray, time: FloatArray, u_us: float = 1e-3) -> StepMeans:
    return StepMeans(
        thickness_mm=thickness,
        u_thickness_mm=np.full(thickness.size, 1e-6),
        interval_us=time,
        u_interval_us=np.full(thickness.size, u_us),
        readings=np.ones(thickness.size, np.int64),
        repeatability_us=0.0,
    )


def line(usual_us: float = 1e-5, doubt: float = 0.0) -> PathModel:
    return PathModel(
        name="line", thickness_mm=WIDE, time_us=2.0 * WIDE / V, usual_us=usual_us, doubt=doubt
    )


def test_without_a_correction_it_is_weighted_least_squares() -> None:
    rng = np.random.default_rng(4)
    time = 7.0 + 2.0 * STEPS / V + rng.normal(0.0, 1e-3, STEPS.size)
    # A correction of 0.1 ns beside 1 ns of noise, and a scale that the prior leaves free.
    curve = fit_curve(means(STEPS, time), line(1e-4), u_scale=1e3)
    plain = fit_line(STEPS, time, np.full(STEPS.size, 1e-3))
    found = np.interp(STEPS, curve.thickness_mm, curve.time_us)
    assert found == pytest.approx(plain.intercept + plain.slope * STEPS, abs=1e-4)
    _, u = plain.predict(10.0)
    assert np.interp(10.0, curve.thickness_mm, curve.u_time_us) == pytest.approx(u, rel=0.1)


def test_it_runs_through_a_smooth_departure_and_says_how_sure_it_is() -> None:
    """A departure drawn at random as smooth as the model says: 95 % of errors within 2 u."""
    rng = np.random.default_rng(5)
    within, count = 0, 0
    inside = np.geomspace(2.2, 24.0, 40)
    for _ in range(120):
        number, phase = rng.normal(0.0, 1.0, 12), rng.uniform(0.0, 2.0 * np.pi, 12)

        def departure(
            d: FloatArray, number: FloatArray = number, phase: FloatArray = phase
        ) -> FloatArray:
            waves = np.cos(np.multiply.outer(np.log(d), number) + phase)
            return np.asarray(0.03 * np.sqrt(2.0 / 12) * waves.sum(axis=1))

        time = 7.0 + 2.0 * STEPS / V + departure(STEPS) + rng.normal(0.0, 5e-4, STEPS.size)
        try:
            curve = fit_curve(means(STEPS, time, 5e-4), line(0.03), u_scale=0.01)
        except AscanError:
            continue
        error = np.interp(inside, curve.thickness_mm, curve.time_us) - (
            7.0 + 2.0 * inside / V + departure(inside)
        )
        u = np.interp(inside, curve.thickness_mm, curve.u_time_us)
        within += int((np.abs(error) < 2.0 * u).sum())
        count += inside.size
    # Seven steps tell little of how rough a departure is, and the kernel is rougher than these
    # waves: it may be too cautious, not too sure.
    assert within / count > 0.93


def test_the_right_path_is_chosen_and_the_doubted_one_must_earn_it() -> None:
    time = 7.0 + 2.0 * np.hypot(STEPS, 1.8) / V
    bent = PathModel(
        name="bent", thickness_mm=WIDE, time_us=2.0 * np.hypot(WIDE, 1.8) / V, usual_us=0.005
    )
    assert choose_curve(means(STEPS, time), [line(0.03), bent], 0.01)[0].model == "bent"
    straight = 7.0 + 2.0 * STEPS / V
    assert choose_curve(means(STEPS, straight), [line(0.005), bent], 0.01)[0].model == "line"


def test_a_mislabelled_step_is_a_misfit() -> None:
    steps = STEPS.copy()
    time = 7.0 + 2.0 * STEPS / V
    steps[3] = 10.0
    try:
        fit = fit_curve(means(steps, time), line(0.03), 0.01)
    except AscanError:
        return  # refused outright
    assert fit.misfit > 4.0


def test_steps_in_the_wrong_order_are_refused() -> None:
    with pytest.raises(AscanError, match="does not grow"):
        fit_curve(means(STEPS, 9.0 - 2.0 * STEPS / V), line(0.03), 0.01)


def test_a_mixture_holds_the_spread_of_its_parts() -> None:
    """Law of total variance: the mean of the variances, and the variance of the means."""

    class Part:
        def __init__(self, value_us: float, u_us: float) -> None:
            self.told = (np.array([value_us]), np.array([u_us]))

        def at(self, *_: FloatArray) -> tuple[FloatArray, FloatArray]:
            return self.told

    parts = [Part(1.0, 0.1), Part(1.6, 0.3)]
    value, u = _Mixture(parts, np.array([0.75, 0.25])).at(np.zeros(1), np.zeros(1))  # type: ignore[arg-type]
    assert value[0] == pytest.approx(0.75 * 1.0 + 0.25 * 1.6)
    variance = 0.75 * 0.1**2 + 0.25 * 0.3**2 + 0.75 * 0.25 * 0.6**2
    assert u[0] == pytest.approx(np.sqrt(variance))


def test_each_fitted_number_costs_the_logarithm_of_how_many_steps_there_are() -> None:
    """Bayesian information criterion: −2 ln L + k ln n (Schwarz 1978, from memory)."""
    time = 7.0 + 2.0 * STEPS / V
    scores = [
        fit_curve(means(STEPS, time), dataclasses.replace(line(), parameters=k), 0.01).score
        for k in (0, 1, 3)
    ]
    assert np.diff(scores) == pytest.approx(np.array([1.0, 2.0]) * np.log(STEPS.size))
    doubted = fit_curve(means(STEPS, time), line(doubt=5.0), 0.01).score
    assert doubted - scores[0] == pytest.approx(5.0)


def test_a_curve_ends_where_it_would_fall_on_either_side_of_the_steps() -> None:
    """A path that turns round below 1.4 mm and above 30 mm: what remains grows everywhere."""
    turned = np.where(WIDE < 1.4, 2.8 - WIDE, np.where(WIDE > 30.0, 60.0 - WIDE, WIDE))
    path = PathModel(name="turned", thickness_mm=WIDE, time_us=2.0 * turned / V, usual_us=1e-5)
    curve = fit_curve(means(STEPS, 7.0 + 2.0 * STEPS / V), path, 0.01)
    assert (np.diff(curve.time_us) > 0.0).all()
    assert curve.thickness_mm[0] == pytest.approx(1.4, rel=0.02)
    assert curve.thickness_mm[-1] == pytest.approx(30.0, rel=0.02)


def test_three_steps_tell_the_three_numbers_of_a_v_path() -> None:
    steps = np.array([2.0, 6.0, 15.0])
    fit = fit_vee(steps, 3.0 + 2.0 * np.hypot(steps, 2.5) / V, np.full(3, 1e-3))
    assert fit.zero_us == pytest.approx(3.0, abs=1e-6)
    assert fit.velocity_mm_per_us == pytest.approx(V, rel=1e-6)
    assert fit.half_separation_mm == pytest.approx(2.5, abs=1e-5)
    twice = np.array([2.0, 6.0, 6.0])
    with pytest.raises(AscanError, match="to 2 steps"):
        fit_vee(twice, 3.0 + 2.0 * np.hypot(twice, 2.5) / V, np.full(3, 1e-3))
