"""Fits of steps: exact cases, covariance by brute force, invariances."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ascan import AscanError
from ascan.calibration.fit import Fit
from ascan.calibration.line import fit_line
from ascan.calibration.step_block import StepFit, fit_steps
from ascan.calibration.step_means import gather_steps
from ascan.path.material import Material

STEEL = Material(velocity_mm_per_us=5.92, u_velocity_mm_per_us=0.02)


def fitted(
    known_mm: list[float],
    interval_us: list[float],
    mode: str,
    u_mm: float = 0.01,
    u_us: float = 1e-3,
    known_us: float | None = 0.0,
) -> StepFit:
    size = len(known_mm)
    means = gather_steps(
        np.array(known_mm), np.full(size, u_mm), np.array(interval_us), np.full(size, u_us)
    )
    return fit_steps(means, mode, STEEL, usual_us=2e-3, known_us=known_us)


def fit(
    known_mm: list[float],
    interval_us: list[float],
    mode: str,
    u_mm: float = 0.01,
    u_us: float = 1e-3,
) -> Fit:
    return fitted(known_mm, interval_us, mode, u_mm, u_us).fit


def test_one_step_gives_the_zero_at_the_known_velocity() -> None:
    one = fit([10.0], [3.9], "time_zero_to_echo")
    assert one.velocity_mm_per_us == 5.92
    assert one.zero_us == pytest.approx(3.9 - 20.0 / 5.92, abs=1e-12)
    by_velocity = 20.0 / 5.92**2 * 0.02
    variance = 1e-6 + (2.0 / 5.92 * 0.01) ** 2 + by_velocity**2
    assert one.covariance[0, 0] == pytest.approx(variance, rel=1e-12)
    # On the step itself the velocity cancels: the thickness is as good as block and timing.
    jacobian = np.array([-5.92 / 2.0, 10.0 / 5.92])
    u = np.sqrt(jacobian @ one.covariance @ jacobian)
    assert u == pytest.approx(np.hypot(0.01, 5.92 / 2.0 * 1e-3), rel=1e-12)


def test_one_step_echo_to_echo_gives_the_velocity() -> None:
    one = fit([10.0], [3.372], "echo_to_echo")
    assert one.zero_us == 0.0
    assert one.velocity_mm_per_us == pytest.approx(20.0 / 3.372, rel=1e-12)
    relative = np.hypot(1e-3 / 3.372, 0.01 / 10.0)
    assert np.sqrt(one.covariance[1, 1]) == pytest.approx(20.0 / 3.372 * relative, rel=1e-6)
    assert (one.covariance[0] == 0.0).all()


def test_echo_to_echo_shows_the_offset_a_free_fit_would_have() -> None:
    steps = np.array([5.0, 10.0, 20.0])
    shifted = fit(list(steps), list(2.0 * steps / 5.9 + 0.004), "echo_to_echo")
    assert shifted.zero_us == 0.0
    assert shifted.fitted_zero_us == pytest.approx(0.004, abs=1e-9)


def test_covariance_is_that_of_many_repetitions() -> None:
    """2000 calibrations with drawn block and timing errors scatter as the covariance says."""
    rng = np.random.default_rng(11)
    steps = np.array([3.0, 6.0, 10.0, 15.0, 20.0])
    zeros, velocities = [], []
    for _ in range(2000):
        true = steps + rng.normal(0.0, 0.01, 5)
        times = 0.5 + 2.0 * true / 5.9 + rng.normal(0.0, 2e-3, 5)
        one = fit(list(steps), list(times), "time_zero_to_echo", u_us=2e-3)
        zeros.append(one.zero_us)
        velocities.append(one.velocity_mm_per_us)
    exact = list(0.5 + 2.0 * steps / 5.9)
    one = fit(list(steps), exact, "time_zero_to_echo", u_us=2e-3)
    seen = np.cov(zeros, velocities)
    # A standard deviation from 2000 draws scatters by 1.6 %; the product of two by about twice.
    assert seen == pytest.approx(one.covariance, rel=0.12)
    correlation = one.covariance[0, 1] / np.sqrt(one.covariance[0, 0] * one.covariance[1, 1])
    assert 0.8 < correlation < 1.0


def test_repeated_readings_average_but_the_block_does_not() -> None:
    rng = np.random.default_rng(12)
    known = np.repeat([5.0, 15.0], 200)
    times = 2.0 * known / 5.92 + rng.normal(0.0, 0.02, 400)
    means = gather_steps(known, np.full(400, 0.01), times, np.full(400, 0.001))
    assert means.repeatability_us == pytest.approx(0.02, rel=0.1)
    assert means.u_interval_us == pytest.approx(0.02 / np.sqrt(200), rel=0.1)
    assert (means.u_thickness_mm == 0.01).all()


def test_a_mislabelled_step_shows_as_lack_of_fit() -> None:
    steps = [5.0, 10.0, 15.0, 20.0]
    times = [2.0 * d / 5.92 + 0.3 for d in steps]
    good = fitted(steps, times, "time_zero_to_echo", known_us=None)
    assert good.p_value > 0.9
    # Few steps leave what is usual open.
    assert 5e-4 < good.fit.lack_of_fit_us < 4e-3
    bad = fitted([5.0, 10.0, 12.5, 20.0], times, "time_zero_to_echo", known_us=None)
    assert bad.p_value < 1e-6
    assert bad.fit.lack_of_fit_us > 0.1


def test_steps_in_the_wrong_order_are_refused() -> None:
    with pytest.raises(AscanError, match="steps given in the wrong order"):
        fit([20.0, 5.0], [2.0, 7.0], "time_zero_to_echo")


@given(
    st.lists(st.floats(0.5, 100.0), min_size=3, max_size=8, unique_by=lambda v: round(v, 1)),
    st.floats(-2.0, 2.0),
    st.floats(2.0, 7.0),
)
def test_exact_lines_are_recovered(steps: list[float], zero: float, velocity: float) -> None:
    times = [zero + 2.0 * d / velocity for d in steps]
    found = fit(steps, times, "interface_to_echo")
    assert found.velocity_mm_per_us == pytest.approx(velocity, rel=1e-7)
    assert found.zero_us == pytest.approx(zero, abs=1e-7)


@given(st.floats(-1e3, 1e3))
def test_a_shift_of_x_moves_the_intercept_only(shift: float) -> None:
    x = np.array([1.0, 2.0, 4.0, 8.0])
    y = np.array([0.3, 0.1, 0.5, 0.9])
    u = np.array([0.1, 0.2, 0.1, 0.3])
    here, there = fit_line(x, y, u), fit_line(x + shift, y, u)
    assert there.slope == pytest.approx(here.slope, rel=1e-6)
    assert there.predict(3.0 + shift)[1] == pytest.approx(here.predict(3.0)[1], rel=1e-5)
