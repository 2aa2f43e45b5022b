"""Exact places between samples: Gaussian envelope, sampled cosine, zero crossing.

Formulas: exact, derived; the closed form of the parabola's bias on a cosine and its largest values
are in the check tables of this project (recomputed there independently).
"""

from __future__ import annotations

import numpy as np
import pytest
from builders import scan_of, wall_procedure
from hypothesis import given
from hypothesis import strategies as st

from ascan import time_echoes
from ascan.kernels.subsample import crossing_fraction, cubic, peak_offset

SIGMA_US = 0.124927
STEP_US = 0.010


@pytest.mark.parametrize(
    ("level", "sigmas"), [(0.1, 2.145966), (0.2, 1.794123), (0.5, 1.177410), (0.9, 0.459044)]
)
def test_gaussian_envelope_crossing(level: float, sigmas: float) -> None:
    """Crossing of a Gaussian at t = t_peak − σ sqrt(2 ln(1/a)), exact, for 25 sample phases.

    A cubic through samples h apart is off by at most 9/384 h⁴ max|f''''| between the middle two
    (error of the interpolating polynomial), f'''' of a unit Gaussian by at most 3/σ⁴; divided by
    the slope that is a time. A linear interpolation would miss it by up to 0.12 ns at level 0.2.
    """
    assert np.sqrt(2.0 * np.log(1.0 / level)) == pytest.approx(sigmas, abs=5e-7)
    phases = np.linspace(0.0, 1.0, 25, endpoint=False)
    peak_us = 5.0 + phases * STEP_US
    time_us = np.arange(1000) * STEP_US
    envelope = np.exp(-0.5 * ((time_us - peak_us[:, None]) / SIGMA_US) ** 2)
    scan = scan_of(envelope, rectified=True)
    method = f'{{ method = "first_crossing", level = {level} }}'
    found = time_echoes(scan, wall_procedure(method)).picks("wall")["time_us"]
    slope = level * sigmas / SIGMA_US
    bound_us = 9.0 / 384.0 * STEP_US**4 * 3.0 / SIGMA_US**4 / slope
    assert np.abs(found - (peak_us - sigmas * SIGMA_US)).max() <= bound_us + 1e-6 * STEP_US
    assert bound_us < 0.1 * STEP_US**2 / 8.0 / SIGMA_US  # far below a linear interpolation's


@given(st.floats(-0.5, 0.5), st.floats(2.5, 40.0), st.floats(0.1, 1e4))
def test_cosine_is_exact(offset: float, samples_per_period: float, height: float) -> None:
    """A cosine through three samples of a cosine gives its place to rounding."""
    w = 2.0 * np.pi / samples_per_period
    before, middle, after = (height * np.cos(w * (k - offset)) for k in (-1, 0, 1))
    assert peak_offset(before, middle, after) == pytest.approx(offset, abs=1e-6)


@pytest.mark.parametrize(
    ("samples_per_period", "worst"), [(8, 0.01021), (10, 0.00646), (20, 0.00159)]
)
def test_a_parabola_would_be_biased(samples_per_period: int, worst: float) -> None:
    """The published bias of the parabola on a cosine, and that the cosine does not have it."""
    w = 2.0 * np.pi / samples_per_period
    d = np.linspace(0.0, 0.49, 2001)
    before, middle, after = (np.cos(w * (k - d)) for k in (-1, 0, 1))
    parabola = 0.5 * (before - after) / (before - 2.0 * middle + after)
    closed = np.tan(w * d) * np.sin(w) / (2.0 * (1.0 - np.cos(w)))
    assert parabola == pytest.approx(closed, abs=1e-9)
    assert np.abs(parabola - d).max() == pytest.approx(worst, abs=2e-5)
    ours = np.array([peak_offset(*row) for row in np.stack([before, middle, after], 1)])
    assert np.abs(ours - d).max() < 1e-9


@given(*[st.floats(-1e3, 1e3) for _ in range(4)], st.floats(0.0, 1.0))
def test_crossing_lies_on_the_cubic(
    y0: float, y1: float, y2: float, y3: float, part: float
) -> None:
    """Where the level lies between the middle samples, the cubic has that level at the place."""
    if abs(y2 - y1) < 1e-3:
        return
    level = y1 + part * (y2 - y1)
    place = crossing_fraction(y0, y1, y2, y3, level)
    assert 0.0 <= place <= 1.0
    if 0.0 < part < 1.0:
        scale = max(abs(v) for v in (y0, y1, y2, y3))
        assert cubic(y0, y1, y2, y3, place) == pytest.approx(level, abs=1e-6 * scale)
