"""What a calibration says of itself, each part by its own definition."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from ascan.calibration.record import Calibration
from ascan.kernels.arrays import FloatArray
from ascan.learning.component import _covariance
from ascan.learning.health import repeats


def freedom(steps: int, **holds: Any) -> int:
    """Return the degrees of freedom of the scatter of so many steps."""
    alone = {
        "arrivals": None,
        "record_model": None,
        "lack_of_fit_us": 0.01,
        "fits_zero": True,
        "fit": SimpleNamespace(lack_freedom=0.0),
    }
    means = SimpleNamespace(thickness_mm=np.arange(1.0, steps + 1.0))
    told = vars(Calibration)["fit_freedom"].fget(SimpleNamespace(**(alone | holds), steps=means))
    return int(told)


def test_degrees_of_freedom_are_steps_less_fitted_numbers() -> None:
    """JCGM 100:2008 G.3.3 (from memory): n observations less m fitted numbers."""
    assert [freedom(n) for n in (1, 2, 3, 7)] == [0, 0, 1, 5]
    assert [freedom(n, fits_zero=False) for n in (1, 2, 7)] == [0, 1, 6]
    # Nothing rests on a scatter that was not found, nor on that of a curve.
    assert freedom(7, lack_of_fit_us=0.0) == 0
    assert freedom(7, arrivals=object()) == 0


def test_one_step_read_again_tests_how_readings_repeat() -> None:
    """There is a scatter to tell as soon as one step has two readings: readings less steps."""
    how = SimpleNamespace(probe=SimpleNamespace(frequency_mhz=5.0))
    for readings in ([1, 1, 1], [1, 2, 1], [3, 3, 3]):
        means = SimpleNamespace(readings=np.array(readings))
        told = repeats(means, 0.0, how)  # type: ignore[arg-type]
        assert told["repeatability_tested"] == (sum(readings) - len(readings) > 0)


@pytest.mark.parametrize(("limit", "figure"), [(0.1, "repeatable"), (1.0 / 6.0, "readings_agree")])
def test_readings_repeat_within_a_part_of_a_period(limit: float, figure: str) -> None:
    how: Any = SimpleNamespace(probe=SimpleNamespace(frequency_mhz=5.0))
    means: Any = SimpleNamespace(readings=np.array([2, 2]))
    assert repeats(means, 0.999 * limit / 5.0, how)[figure]
    assert not repeats(means, 1.001 * limit / 5.0, how)[figure]


def of_component(numbers: FloatArray) -> FloatArray:
    """Return zero and velocity of thickness, zero, mean time, and what scatters it."""
    thickness_mm, zero_us, time_us, scatter_us = numbers
    return np.array([zero_us, 2.0 * thickness_mm / (time_us + scatter_us - zero_us)])


def test_the_components_covariance_is_propagated_from_all_it_rests_on() -> None:
    """JCGM 102:2011 6.2.1.3 (from memory): J U Jᵀ, the derivatives by differences."""
    middle, u = np.array([12.0, 7.0, 11.3, 0.0]), np.array([0.02, 0.004, 0.001, 0.003])
    steps = 1e-5 * np.eye(4)
    sides = [(of_component(middle + one) - of_component(middle - one)) / 2e-5 for one in steps]
    slopes = np.array(sides).T
    wanted = slopes @ np.diag(u**2) @ slopes.T
    zero, velocity = of_component(middle)
    calibration: Any = SimpleNamespace(covariance=np.diag([u[1] ** 2, 1.0]), lack_of_fit_us=u[3])
    run_us = middle[2] - zero
    found = _covariance(calibration, velocity, run_us, u[2], u[0] / middle[0])
    np.testing.assert_allclose(found, wanted, rtol=1e-6, atol=0.0)
