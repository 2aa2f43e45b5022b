"""Fits of coated walls: which are tried, which count, and over how much delay a slope is taken."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from ascan.kernels.arrays import FloatArray
from ascan.whole_record.coated_delays import over_delays
from ascan.whole_record.coated_front import Guess, Try
from ascan.whole_record.coated_problem import CoatedRecord, Known, Problem
from ascan.whole_record.coated_stage import CoatedStage, Fit

PERIOD_US = 0.2


def fit_of(spacing: float, late_us: float, mismatch: float = 0.1, left: float = 0.0) -> Any:
    return CoatedRecord(
        np.array([0.0, spacing, late_us, mismatch, 0.3]), 0.1, 0.01, 1.0, 1.0, left, 1.0,
        np.zeros(4), np.zeros(2),
    )  # fmt: skip


def attempt(number: int, spacing_us: float, left: float) -> Try:
    guess: Any = Guess.__new__(Guess)
    return Try(
        kind=(number, 0), guess=guess, place_us=10.0, spacing_us=spacing_us, left=left, flags=0,
        alternative_us=np.inf, alternative_odds=np.inf,
    )  # fmt: skip


def test_u_leaves_out_no_delay_that_is_not_refuted() -> None:
    """Noise alone leaves 3.84 variances more one time in twenty; that far off is 1.9 u and less."""
    for left, u in ((3.84 * (1.0 - 1e-6), 10.0 / 1.9), (3.84 * (1.0 + 1e-6), 0.1)):
        mean = over_delays([fit_of(100.0, 1.0), fit_of(110.0, 1e-7, left=left)])
        assert mean.numbers[1] == pytest.approx(100.0, abs=1e-4)
        assert mean.u_spacing == pytest.approx(u, rel=1e-3)


def different(tries: list[Try]) -> list[int]:
    stage: Any = SimpleNamespace(bare=SimpleNamespace(frequency_mhz=1.0 / PERIOD_US))
    return [one.kind[0] for one in CoatedStage._different(stage, tries)]


def test_three_coatings_are_fitted_and_those_of_other_walls() -> None:
    same = [attempt(k + 1, 2.0 + 0.001 * k, 1.0 + 0.01 * k) for k in range(5)]
    assert different(same) == [1, 2, 3]
    # A fifth of a period apart is another wall; twice the energy left is no hope.
    other = 2.0 + 0.25 * PERIOD_US
    assert different([*same, attempt(7, other, 1.4)]) == [1, 2, 3, 7]
    assert different([*same, attempt(7, other, 1.42)]) == [1, 2, 3]
    assert different([*same, attempt(7, other, 1.3), attempt(8, other, 1.4)]) == [1, 2, 3, 7]
    # The bare wall is always one of them.
    assert different([*same, attempt(0, 2.0, 1.4)]) == [1, 2, 3, 0]


@pytest.mark.parametrize(
    ("expected", "mismatch", "tried"),
    [
        # Half a period beside, the sign turns over; a whole period beside, it stays.
        (0.0, 0.3, [(0.03, -0.3), (0.23, -0.3), (0.33, 0.3)]),
        (0.4, 0.3, [(0.33, 0.3)]),
        (-0.4, 0.3, [(0.03, -0.3), (0.23, -0.3)]),
    ],
)
def test_fits_beside_are_begun_within_half_a_neper_of_what_is_expected(
    expected: float, mismatch: float, tried: list[tuple[float, float]]
) -> None:
    starts: list[FloatArray] = []
    problem: Any = SimpleNamespace(found=lambda start: starts.append(start[2:4].copy()))
    stage: Any = SimpleNamespace(
        bare=SimpleNamespace(frequency_mhz=1.0 / PERIOD_US), mismatch=expected
    )
    begun = Fit(0.0, attempt(1, 2.0, 1.0), fit_of(200.0, 0.13, mismatch))
    assert CoatedStage._beside(stage, [begun], problem) == [begun]
    np.testing.assert_allclose(np.array(starts), tried, rtol=0.0, atol=1e-12)


@pytest.mark.parametrize("u_late_us", [1e-5, 0.03, 0.05, 1e3])
def test_slope_by_delay_is_taken_over_what_the_record_leaves_open(u_late_us: float) -> None:
    """Never over half a period: there an echo of the other sign is as like it as can be."""
    over_us = []
    # Five orthogonal slopes; the third tells the delay to u_late_us at noise 1.
    slopes = np.eye(5, 40)
    slopes[2] /= u_late_us

    def derivatives(_: Any, __: Any, step_us: float, ___: float) -> FloatArray:
        over_us.append(step_us)
        return slopes

    found = SimpleNamespace(
        noise=1.0, columns=np.eye(2, 40, 10), residual=np.ones(40), left=1.0, heights=np.ones(2),
        count=1,
    )  # fmt: skip
    problem: Any = SimpleNamespace(
        of=SimpleNamespace(coating=SimpleNamespace(frequency_mhz=1.0 / PERIOD_US), period=20.0),
        solve=lambda *_: found, derivatives=derivatives, weight=np.ones(40),
    )  # fmt: skip
    known = Known(np.zeros(3), np.array([np.inf, 0.2, 0.1]))
    ended = Problem.finished(problem, np.array([0.0, 200.0, 0.1, 0.1, 0.3]), known)
    assert ended is not None
    assert ended.u_late_us == pytest.approx(u_late_us, rel=1e-6)
    assert max(over_us) < 0.5 * PERIOD_US
    if 0.02 * PERIOD_US < u_late_us < 0.4 * PERIOD_US:
        assert over_us[-1] == pytest.approx(u_late_us, rel=1e-6)
