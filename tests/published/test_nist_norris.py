"""NIST Statistical Reference Datasets, Norris (linear, 36 points): certified values.

Source: NIST StRD, dataset Norris: certified B0, B1, their standard deviations and the
residual standard deviation, as given with the data.
"""

from __future__ import annotations

import numpy as np
import pytest

from ascan.calibration.line import fit_line

# y, x, y, x ...
TABLE = """
0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3
449.1 448.6 778.9 777.0 559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0
448.9 447.5 10.8 11.6 557.7 556.0 228.3 228.1 998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3
0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0 10.2 11.1 117.6 118.3
228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5
"""
NORRIS = np.array([float(word) for word in TABLE.split()]).reshape(-1, 2)


def test_norris() -> None:
    y, x = NORRIS.T
    assert y.size == 36
    fit = fit_line(x, y)
    # Nine digits: what double precision keeps of a well-conditioned line.
    assert fit.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert fit.slope == pytest.approx(1.00211681802045, rel=1e-12)
    u = np.sqrt(np.diag(fit.covariance))
    assert u == pytest.approx([0.232818234301152, 0.429796848199937e-03], rel=1e-9)
    assert np.sqrt(fit.chi_squared / 34) == pytest.approx(0.884796396144373, rel=1e-9)
