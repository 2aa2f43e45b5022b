"""The V-path: published and worked values, both ways, and what it leaves when it is ignored.

Table values: geometry of two exit points 2 s apart, worked independently for this project at
5920 m/s (the formula: ISO 16809 annex, from memory). SE-797 8.3 says that a straight line serves
above 3 mm and errs more and more below (transcription).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ascan.base.errors import AscanError
from ascan.calibration.line import fit_line
from ascan.calibration.vee_fit import fit_vee
from ascan.path import direct, vee

V = 5.920


@pytest.mark.parametrize(
    ("d", "time_us", "reading_mm"),
    [
        (1.0, 0.60905, 1.8028),
        (2.0, 0.84459, 2.5000),
        (3.0, 1.13314, 3.3541),
        (5.0, 1.76357, 5.2202),
        (10.0, 3.41617, 10.1119),
        (25.0, 8.46113, 25.0450),
        (50.0, 16.89949, 50.0225),
        (100.0, 33.78758, 100.0112),
    ],
)
def test_times_and_uncorrected_readings(d: float, time_us: float, reading_mm: float) -> None:
    found = vee.interval_us(d, 0.0, V, 1.5)
    assert found == pytest.approx(time_us, abs=5e-6)  # half of the last digit given
    assert direct.thickness_mm(found, 0.0, V) == pytest.approx(reading_mm, abs=5e-5)
    assert vee.thickness_mm(found, 0.0, V, 1.5) == pytest.approx(d, abs=1e-12)


@pytest.mark.parametrize(
    ("s", "blocks", "velocity", "errors"),
    [
        (1.0, (5.0, 25.0), 5.9435, (0.3006, 0.1257, 0.0556, -0.0295, -0.0263, 0.0891)),
        (1.5, (5.0, 25.0), 5.9723, (0.5524, 0.2558, 0.1175, -0.0651, -0.0583, 0.1983)),
        (1.5, (12.5, 25.0), 5.9413, (0.6744, 0.3741, 0.2313, 0.0133, -0.0059, 0.0672)),
        (2.5, (5.0, 25.0), 6.0611, (1.0334, 0.5545, 0.2748, -0.1700, -0.1541, 0.5320)),
    ],
)
def test_what_a_straight_line_leaves(
    s: float, blocks: tuple[float, float], velocity: float, errors: tuple[float, ...]
) -> None:
    steps = np.array(blocks)
    line = fit_line(steps, np.array([vee.interval_us(d, 0.0, V, s) for d in steps]), np.ones(2))
    assert 2.0 / line.slope == pytest.approx(velocity, abs=5e-5)
    for d, error in zip((1.0, 2.0, 3.0, 10.0, 15.0, 50.0), errors, strict=True):
        time = vee.interval_us(d, 0.0, V, s)
        read = direct.thickness_mm(time, line.intercept, 2.0 / line.slope)
        assert read - d == pytest.approx(error, abs=5e-5)


def test_three_parameters_from_five_steps() -> None:
    """Noise-free 2, 5, 10, 15, 25 mm give v = 5893 m/s, t0 = 1.234 µs, s = 1.7 mm back to 1e-8."""
    d = np.array([2.0, 5.0, 10.0, 15.0, 25.0])
    time = 1.234 + 2.0 * np.hypot(d, 1.7) / 5.893
    fit = fit_vee(d, time, np.full(5, 1e-3))
    assert fit.velocity_mm_per_us == pytest.approx(5.893, rel=1e-8)
    assert fit.zero_us == pytest.approx(1.234, rel=1e-8)
    assert fit.half_separation_mm == pytest.approx(1.7, rel=1e-8)


def test_two_steps_are_too_few() -> None:
    with pytest.raises(AscanError, match="three steps or more"):
        fit_vee(np.array([2.0, 2.0, 5.0]), np.array([1.0, 1.0, 2.0]), np.ones(3))


@given(
    d=st.floats(0.05, 200.0), s=st.floats(0.0, 10.0), v=st.floats(2.0, 7.0), zero=st.floats(-1, 9)
)
def test_inverse_and_slope(d: float, s: float, v: float, zero: float) -> None:
    time = vee.interval_us(d, zero, v, s)
    # The slope falls as d/s: where it is small a rounding of the time is worth more thickness.
    slope = vee.slope_us_per_mm(d, v, s)
    assert vee.thickness_mm(time, zero, v, s) == pytest.approx(d, abs=1e-13 / slope + 1e-12 * d)
    step = 1e-4 * d
    above, below = (vee.interval_us(d + k * step, zero, v, s) for k in (1, -1))
    assert slope == pytest.approx((above - below) / (2.0 * step), rel=1e-3)


def test_nothing_before_the_least_time() -> None:
    least = vee.least_interval_us(0.3, V, 1.5)
    assert vee.thickness_mm(least, 0.3, V, 1.5) == 0.0
    assert np.isnan(vee.thickness_mm(least - 1e-6, 0.3, V, 1.5))
