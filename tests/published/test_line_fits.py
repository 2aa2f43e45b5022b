"""Published fits: a quadratic load cell (Pontius), and a line uncertain on both axes (Pearson)."""

from __future__ import annotations

import numpy as np
import pytest

from ascan.calibration.line import fit_line, fit_line_both, fit_linear

# NIST Statistical Reference Datasets, Pontius (load cell, 40 points): y at x = 150 000 to 3 000 000
# in steps of 150 000, taken twice.
PONTIUS_Y = """
.11019 .21956 .32949 .43899 .54803 .65694 .76562 .87487 .98292 1.09146
1.20001 1.30822 1.41599 1.52399 1.63194 1.73947 1.84646 1.95392 2.06128 2.16844
.11052 .22018 .32939 .43886 .54798 .65739 .76596 .87474 .98300 1.09150
1.20004 1.30818 1.41613 1.52408 1.63159 1.73965 1.84696 1.95445 2.06177 2.16829
"""

# Pearson 1901, ten points, with the weights of York 1966 (w = 1 / σ²).
X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
U_X = np.array([1000.0, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1]) ** -0.5
U_Y = np.array([1.0, 1.8, 4, 8, 20, 20, 70, 70, 100, 500]) ** -0.5


def test_pontius() -> None:
    """Certified parameters, standard deviations and residual sum of squares of NIST StRD."""
    y = np.array([float(word) for word in PONTIUS_Y.split()])
    x = np.tile(np.arange(1, 21) * 150_000.0, 2)
    fit = fit_linear(np.stack([np.ones_like(x), x, x * x], axis=1), y)
    # Three and more digits less than double precision: the columns are nearly parallel.
    assert fit.parameters == pytest.approx(
        [0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14], rel=1e-9
    )
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(
        [0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16], rel=1e-8
    )
    assert fit.chi_squared == pytest.approx(0.155761768796992e-05, rel=1e-8)


def test_pearsons_data_with_yorks_weights() -> None:
    """York et al. 2004 (American Journal of Physics 72, 367): parameters and unscaled errors."""
    fit = fit_line_both(X, Y, U_X, U_Y)
    assert fit.intercept == pytest.approx(5.47991022403, abs=1e-9)
    assert fit.slope == pytest.approx(-0.48053340745, abs=1e-9)
    u = np.sqrt(np.diag(fit.covariance))
    assert u == pytest.approx([0.294970735, 0.057985009], abs=1e-6)
    assert fit.chi_squared / 8 == pytest.approx(1.483294149, rel=1e-8)
    # Cantrell 2008 (Atmospheric Chemistry and Physics 8, 5477): scaled errors.
    scaled = u * np.sqrt(fit.chi_squared / 8)
    assert scaled == pytest.approx([0.359246522551112, 0.070620269528771], rel=1e-6)


def test_without_errors_in_x_it_is_the_weighted_line() -> None:
    both = fit_line_both(X, Y, np.zeros(10), U_Y)
    plain = fit_line(X, Y, U_Y)
    assert (both.intercept, both.slope) == pytest.approx((plain.intercept, plain.slope), rel=1e-10)
    assert both.covariance == pytest.approx(plain.covariance, rel=1e-9)


def test_exchanging_the_axes_turns_the_line_round() -> None:
    """Y = a + b x and x = −a/b + y/b are one line: least squares along one axis is not so."""
    one, other = fit_line_both(X, Y, U_X, U_Y), fit_line_both(Y, X, U_Y, U_X)
    assert other.slope == pytest.approx(1.0 / one.slope, rel=1e-9)
    assert other.intercept == pytest.approx(-one.intercept / one.slope, rel=1e-9)
