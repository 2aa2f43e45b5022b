"""The direct path: straight down and back, thickness = velocity × time / 2."""

from __future__ import annotations

from ascan.kernels.jit import compiled


@compiled
def thickness_mm(interval_us: float, zero_us: float, velocity_mm_per_us: float) -> float:
    """Return the thickness that an interval means.

    References
    ----------
    T = V t / 2, ASTM E797/E797M-21 4.1, with the zero offset subtracted from t (its 8.2.2: the
    delay is adjusted after the velocity).

    Examples
    --------
    >>> round(thickness_mm(3.878378, 0.5, 5.920), 6)
    9.999999
    """
    return 0.5 * velocity_mm_per_us * (interval_us - zero_us)


@compiled
def interval_us(thickness_mm: float, zero_us: float, velocity_mm_per_us: float) -> float:
    """Return the interval that a thickness gives: zero + 2 d / v."""
    return zero_us + 2.0 * thickness_mm / velocity_mm_per_us
