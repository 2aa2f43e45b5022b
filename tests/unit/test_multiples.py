"""What follows a wall's first echo: its multiples, or something else."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from ascan.checks.multiples import apart_of_multiples, is_apart

REACH, HEIGHT = 30, 100.0


def share(later: float, *echoes: tuple[float, float], samples: int = 1200) -> float:
    """Return the share of echoes (place over ``later``, height) behind a first at sample 0."""
    trace = np.zeros((1, samples))
    for place, height in ((0.0, HEIGHT), *echoes):
        trace[0, min(round(place * later), samples - 1)] = height
    out, last = np.empty(1), np.array([min(int(2.5 * later), samples)])
    apart_of_multiples(trace, (last, np.array([later])), REACH, np.array([HEIGHT]), out)
    return float(out[0])


@settings(deadline=None)
@given(st.floats(80.0, 400.0), st.floats(0.0, 1.0))
def test_multiples_are_no_other_echoes(later: float, loss: float) -> None:
    assert share(later, (1.0, HEIGHT * loss), (2.0, HEIGHT * loss**2)) == 0.0


@settings(deadline=None)
@given(st.floats(100.0, 400.0), st.floats(0.01, 3.0))
def test_what_stands_half_way_is_one(later: float, height: float) -> None:
    for place in (0.5, 1.5):
        assert abs(share(later, (place, HEIGHT * height)) - height) < 1e-12
    # Beyond two and a half spacings nothing is looked at.
    assert share(later, (2.8, HEIGHT * height)) == 0.0


def test_where_echoes_lie_close_nothing_is_apart() -> None:
    assert share(50.0, (0.5, HEIGHT), (1.5, HEIGHT)) == 0.0


def test_the_steps_and_noise_allow_for_more() -> None:
    shares, usual = np.array([0.31, 0.31, 0.5, np.nan]), np.array([0.0, 0.0, 0.4, 0.0])
    told = is_apart(shares, usual, 0.3, np.array([60.0, 20.0, 60.0, 60.0]))
    assert told.tolist() == [True, False, False, False]
