"""What a usual shape leaves of an echo: nothing of itself, wherever it lies and however high."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ascan.arrays import FloatArray
from ascan.flags import Flag
from ascan.health.shape import check_shape, write_head_misfits

PERIOD, BEFORE, SIZE, REACH = 20.0, 25, 66, 6


def head(late: float, period: float = PERIOD) -> FloatArray:
    """Return the head of an echo, its top about at sample BEFORE."""
    at = np.arange(-20.0, SIZE + 20.0) - BEFORE - late
    rise = np.clip(at + 1.2 * period, 0.0, None) / period
    return rise**2 * np.exp(-0.8 * rise) * np.cos(2.0 * np.pi * at / period)


def misfit_of(trace: FloatArray, heads: FloatArray, heads_us: FloatArray) -> float:
    out, clock_us = np.empty(1), np.array([5.0 - 0.01 * (BEFORE + 20)])
    top = np.array([BEFORE + 20])
    write_head_misfits(trace[None], top, clock_us, 0.01, heads, heads_us, BEFORE, REACH, out)
    return float(out[0])


@settings(deadline=None)
@given(late=st.floats(-1.0, 1.0), size=st.floats(1.0, 1e4))
def test_a_head_leaves_nothing_of_itself(late: float, size: float) -> None:
    learned = head(0.0)[20 : 20 + SIZE]
    heads = np.stack([learned, learned])
    assert misfit_of(size * head(late), heads, np.array([4.0, 6.0])) < 0.03


@pytest.mark.parametrize("longer", [1.08, 0.92])
def test_a_head_of_another_frequency_leaves_more(longer: float) -> None:
    learned = head(0.0)[20 : 20 + SIZE]
    heads = np.stack([learned, learned])
    assert misfit_of(head(0.0, longer * PERIOD), heads, np.array([4.0, 6.0])) > 0.1


def test_between_two_steps_a_head_changes_evenly() -> None:
    one, other = head(0.0)[20 : 20 + SIZE], head(0.0, 1.15 * PERIOD)[20 : 20 + SIZE]
    middle = np.pad(0.75 * one + 0.25 * other, 20)
    # The head comes at 5.0 µs: a quarter of the way from 4.8 to 5.6.
    assert misfit_of(middle, np.stack([one, other]), np.array([4.8, 5.6])) < 0.03
    assert misfit_of(middle, np.stack([other, one]), np.array([4.8, 5.6])) > 0.05


def test_a_head_that_is_not_whole_has_no_misfit() -> None:
    learned = head(0.0)[20 : 20 + SIZE]
    cut = head(0.0)[: BEFORE + 30]
    assert np.isnan(misfit_of(cut, learned[None], np.array([5.0])))


def test_noise_alone_is_not_told_as_another_shape() -> None:
    rng = np.random.default_rng(4)
    learned, count, snr_db = head(0.0), 2000, 26.0
    sigma = np.abs(learned).max() * 10.0 ** (-snr_db / 20.0)
    traces = learned + sigma * rng.standard_normal((count, learned.size))
    misfit, flags = np.empty(count), np.zeros(count, np.uint32)
    heads = learned[20 : 20 + SIZE][None]
    top, clock_us = np.full(count, BEFORE + 20), np.full(count, 5.0)
    write_head_misfits(traces, top, clock_us, 0.01, heads, np.array([5.0]), BEFORE, REACH, misfit)
    check_shape(misfit, np.zeros(count), 0.06, np.full(count, snr_db), flags)
    assert np.isfinite(misfit).all()
    assert ((flags & np.uint32(Flag.UNLIKE_MODEL)) != 0).mean() < 0.01
