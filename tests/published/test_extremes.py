"""Extreme values against a published fit, and coverage on draws of known distributions."""

from __future__ import annotations

import numpy as np
import pytest

from ascan import AscanError
from ascan.survey.elsewhere import (
    Blocks,
    _refuse_alike,
    _refuse_few,
    _refuse_mixture,
    _refuse_trend,
)
from ascan.survey.extremes import Gev, fit_maxima, level_of

# Annual maximum sea levels at Port Pirie, 1923 to 1987, in m: S. Coles 2001, An Introduction to
# Statistical Modeling of Extreme Values, Springer, example 3.4.1.
PORT_PIRIE_M = np.array([
    4.03, 3.83, 3.65, 3.88, 4.01, 4.08, 4.18, 3.80, 4.36, 3.96, 3.98, 4.69, 3.85,
    3.96, 3.85, 3.93, 3.75, 3.63, 3.57, 4.25, 3.97, 4.05, 4.24, 4.22, 3.73, 4.37,
    4.06, 3.71, 3.96, 4.06, 4.55, 3.79, 3.89, 4.11, 3.85, 3.86, 3.86, 4.21, 4.01,
    4.11, 4.24, 3.96, 4.21, 3.74, 3.85, 3.88, 3.66, 4.11, 3.71, 4.18, 3.90, 3.78,
    3.91, 3.72, 4.00, 3.66, 3.62, 4.33, 4.55, 3.75, 4.08, 3.90, 3.88, 3.94, 4.33,
])  # fmt: skip


def test_the_published_fit() -> None:
    """Coles 2001, pages 59 and 60: estimates, covariance, log likelihood, return levels."""
    fit = fit_maxima(PORT_PIRIE_M)
    assert fit.best == pytest.approx((3.87, 0.198, -0.050), abs=5e-3)
    published = np.array(
        [
            [0.000780, 0.000197, -0.00107],
            [0.000197, 0.000410, -0.000778],
            [-0.00107, -0.000778, 0.00965],
        ]
    )
    assert fit.covariance == pytest.approx(published, rel=0.01)
    assert fit.likelihood == pytest.approx(4.339, abs=1e-3)
    assert fit.return_level(10.0) == pytest.approx(4.30, abs=5e-3)
    assert fit.return_level(100.0) == pytest.approx(4.69, abs=5e-3)


def test_limits_by_profile_likelihood_and_a_gumbel_fit() -> None:
    """The same data by another optimiser (scipy, to three digits)."""
    fit = fit_maxima(PORT_PIRIE_M)
    assert fit.interval(10.0) == pytest.approx((4.205, 4.445), abs=1e-3)
    assert fit.interval(100.0) == pytest.approx((4.490, 5.261), abs=2e-3)
    gumbel = fit_maxima(PORT_PIRIE_M, gumbel=True)
    assert gumbel.best == pytest.approx((3.869, 0.195, 0.0), abs=1e-3)
    assert gumbel.likelihood == pytest.approx(4.218, abs=1e-3)


def drawn(how: Gev, count: int, rng: np.random.Generator) -> np.ndarray:
    y = -np.log(rng.uniform(size=count))
    return how.location + how.scale * (y**-how.shape - 1.0) / how.shape


def test_the_interval_covers_the_true_level() -> None:
    """60 blocks carried on to 600: 95 % of 120 draws, within three standard errors of a count."""
    how, rng = Gev(-9.0, 0.4, -0.12), np.random.default_rng(4)
    truth, inside = level_of(how, 600.0), 0
    for _ in range(120):
        low, high = fit_maxima(drawn(how, 60, rng)).interval(600.0)
        inside += low <= truth <= high
    assert inside / 120 >= 0.89


def test_the_readings_own_noise_is_taken_out() -> None:
    """Noise of half a scale widens what is seen; without it the true level comes back."""
    how, rng = Gev(-9.0, 0.2, -0.1), np.random.default_rng(6)
    u = np.full(4000, 0.1)
    seen = drawn(how, 4000, rng) + u * rng.standard_normal(4000)
    truth = level_of(how, 1000.0)
    assert fit_maxima(seen, u).return_level(1000.0) == pytest.approx(truth, abs=0.06)
    assert fit_maxima(seen).best.scale > 1.1 * how.scale


def blocks(walls: np.ndarray) -> Blocks:
    """Return blocks of 10 mm in a row of ten after another."""
    k = np.arange(walls.size)
    return Blocks(
        walls, np.full(walls.size, 0.01), 10.0 * (k % 10) + 5.0, 10.0 * (k // 10) + 5.0, 3, 10.0
    )


def test_ground_that_cannot_be_carried_on_is_refused() -> None:
    rng = np.random.default_rng(8)
    good = blocks(-drawn(Gev(-9.0, 0.4, -0.1), 100, rng))
    for check in (_refuse_few, _refuse_trend):
        check(good)
    _refuse_alike(good)
    _refuse_mixture(fit_maxima(-good.least_mm, good.u_mm))
    with pytest.raises(AscanError, match="are 12, 3 more were not read"):
        _refuse_few(blocks(good.least_mm[:12]))
    smooth = blocks(9.0 + np.repeat(rng.standard_normal(10), 10))
    with pytest.raises(AscanError, match="alike where they are neighbours"):
        _refuse_alike(smooth)
    with pytest.raises(AscanError, match="run thinner one way"):
        _refuse_trend(blocks(good.least_mm + 0.02 * good.x_mm))
    pitted = np.where(np.arange(100) % 3 == 0, 5.0, 9.5) + 0.05 * rng.standard_normal(100)
    with pytest.raises(AscanError, match="follow no one distribution"):
        _refuse_mixture(fit_maxima(-pitted, np.full(100, 0.01)))
