"""JCGM 100:2008, example H.3: calibration of a thermometer, a straight line with correlation.

Data: Table H.6. Published results: H.3.3, H.3.4, H.3.5 (s and the intercept of H.3.5 from memory;
all recomputed independently to the digits used below).
"""

from __future__ import annotations

import numpy as np
import pytest

from ascan.calibration.line import fit_line

READING_C = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)
CORRECTION_C = np.array(
    [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
)


def test_parameters_uncertainties_correlation() -> None:
    fit = fit_line(READING_C - 20.0, CORRECTION_C)
    u = np.sqrt(np.diag(fit.covariance))
    assert fit.intercept == pytest.approx(-0.171203790, abs=1e-8)
    assert fit.slope == pytest.approx(0.002182698, abs=1e-8)
    assert u == pytest.approx([0.002877598, 0.000667939], abs=1e-8)
    assert fit.covariance[0, 1] / u.prod() == pytest.approx(-0.930429603, abs=1e-8)
    assert np.sqrt(fit.chi_squared / 9) == pytest.approx(0.003497564, abs=1e-8)
    assert fit.degrees_of_freedom == 9
    # As printed, to half a unit of the last digit.
    assert fit.intercept == pytest.approx(-0.1712, abs=5e-5)
    assert u == pytest.approx([0.0029, 0.00067], abs=5e-5)


def test_prediction_at_30_degrees() -> None:
    value, u = fit_line(READING_C - 20.0, CORRECTION_C).predict(10.0)
    assert value == pytest.approx(-0.149376813, abs=1e-8)
    assert u == pytest.approx(0.004138596, abs=1e-8)


def test_prediction_without_covariance_would_differ() -> None:
    """Mutation guard: dropping the correlation gives 0.007273 instead of 0.004139."""
    fit = fit_line(READING_C - 20.0, CORRECTION_C)
    u_intercept, u_slope = np.sqrt(np.diag(fit.covariance))
    wrong = np.hypot(u_intercept, 10.0 * u_slope)
    assert wrong == pytest.approx(0.007273, abs=1e-6)
    assert abs(fit.predict(10.0)[1] - wrong) > 0.003


@pytest.mark.parametrize("reference", [20.0, 24.0085, float(READING_C.mean())])
def test_prediction_does_not_depend_on_the_reference(reference: float) -> None:
    value, u = fit_line(READING_C - reference, CORRECTION_C).predict(30.0 - reference)
    assert value == pytest.approx(-0.149376813, abs=1e-9)
    assert u == pytest.approx(0.004138596, abs=1e-9)


def test_reference_at_the_mean_removes_the_correlation() -> None:
    """H.3.5: t0 = 24.0085 °C gives intercept −0.1625, s 0.0011, correlation near 0."""
    fit = fit_line(READING_C - 24.0085, CORRECTION_C)
    u = np.sqrt(np.diag(fit.covariance))
    assert fit.intercept == pytest.approx(-0.162454446, abs=1e-8)
    assert u[0] == pytest.approx(0.001054555, abs=1e-8)
    assert abs(fit.covariance[0, 1] / u.prod()) < 1e-4
