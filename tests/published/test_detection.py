"""Hits and misses by logistic regression: a textbook's data, and the size found in 90 % at 95 %."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from ascan import AscanError
from ascan.survey.detection import fit_logistic, found_by_size

# Beetles (Bliss 1935) as in Dobson, An Introduction to Generalized Linear Models, chapter 7 (from
# memory; figures computed independently): log10 dose, exposed, killed.
DOSE = np.array([1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839])
EXPOSED = np.array([59, 60, 62, 56, 63, 59, 62, 60])
KILLED = np.array([6, 13, 18, 28, 52, 53, 61, 60])


def test_beetles() -> None:
    """Intercept −60.717 (5.181), slope 34.270 (2.912), covariance −15.082; 90 % point 1.8359."""
    fit = fit_logistic(DOSE, KILLED, EXPOSED)
    assert (fit.intercept, fit.slope) == pytest.approx((-60.717, 34.270), abs=2e-3)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([5.181, 2.912], abs=2e-3)
    assert fit.covariance[0, 1] == pytest.approx(-15.082, abs=5e-3)
    assert fit.place_of(0.9) == pytest.approx((np.log(9.0) + 60.717) / 34.270, abs=1e-4)
    # The band's own definition: its lower edge is the logit of 90 % there.
    at = fit.bound_of(0.9)
    edge = (
        fit.intercept
        + fit.slope * at
        - 1.6449
        * np.sqrt(
            fit.covariance[0, 0] + 2 * at * fit.covariance[0, 1] + at**2 * fit.covariance[1, 1]
        )
    )
    assert edge == pytest.approx(np.log(9.0), abs=1e-3)
    assert at > fit.place_of(0.9)


def test_the_bound_holds_in_95_of_100_experiments() -> None:
    """The true 90 % size lies below the bound: 600 experiments, ± 0.9 %; Wald's band is close."""
    rng = np.random.default_rng(3)
    size, tries = np.geomspace(0.5, 8.0, 8), np.full(8, 40)
    truth = 1.0 / (1.0 + np.exp(-(-1.5 + 2.5 * np.log(size))))
    true_size = float(np.exp((np.log(9.0) + 1.5) / 2.5))
    held = [
        found_by_size(size, rng.binomial(tries, truth), tries).size_90_95_mm >= true_size
        for _ in range(600)
    ]
    assert 0.92 < np.mean(held) < 0.98


def test_hits_and_misses_that_do_not_overlap() -> None:
    """29 of 29: were it 90 %, all would be found in less than 5 % (binomial); 28 is too few."""
    assert stats.binom.pmf(29, 29, 0.9) < 0.05 < stats.binom.pmf(28, 28, 0.9)
    size = np.array([1.0, 2.0, 4.0])
    for tries, told in ((29, 2.0), (28, np.inf)):
        number = np.full(3, tries)
        found = found_by_size(size, number * np.array([0, 1, 1]), number)
        assert found.fit is None
        assert found.size_90_95_mm == told
    with pytest.raises(AscanError, match="do not overlap"):
        fit_logistic(np.log(size), np.array([0, 0, 0]), np.full(3, 30))
    assert np.isinf(found_by_size(size, np.array([0, 3, 9]), np.full(3, 30)).size_90_95_mm)
