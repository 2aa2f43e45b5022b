"""What a usual shape leaves of an echo: nothing of itself, wherever it lies and however high."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ascan.checks.second_echo import Second, write_second
from ascan.checks.shape_mismatch import (
    MOST_DRIFT,
    Sized,
    Usual,
    allowed_between,
    is_unlike,
    u_of_shape_us,
    write_arrival_residuals,
    write_shape_residuals,
)
from ascan.checks.unexpected_echo import take_off_forerunners
from ascan.finding.rows import Learned
from ascan.kernels.arrays import FloatArray
from ascan.waveform.template import Template

PERIOD, BEFORE, SIZE, REACH = 20.0, 25, 66, 6


def head(late: float, period: float = PERIOD) -> FloatArray:
    """Return the head of an echo, its top about at sample BEFORE."""
    at = np.arange(-20.0, SIZE + 20.0) - BEFORE - late
    rise = np.clip(at + 1.2 * period, 0.0, None) / period
    return rise**2 * np.exp(-0.8 * rise) * np.cos(2.0 * np.pi * at / period)


def misfit_of(trace: FloatArray, heads: FloatArray, heads_us: FloatArray) -> float:
    out, clock_us = np.empty(1), np.array([5.0 - 0.01 * (BEFORE + 20)])
    top = np.array([BEFORE + 20])
    learned = Learned(heads, heads_us, BEFORE)
    write_arrival_residuals(trace[None], top, (clock_us, 0.01), learned, REACH, out)
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


def test_between_two_steps_less_is_allowed_than_these_leave_of_each_other() -> None:
    one, other = head(0.0)[20 : 20 + SIZE], head(0.0, 1.15 * PERIOD)[20 : 20 + SIZE]
    told = allowed_between(Learned(np.stack([one, other]), np.array([4.0, 6.0]), BEFORE), REACH)
    assert told.shape == (1,)
    apart = misfit_of(np.pad(other, 20), one[None], np.array([5.0]))
    half_way = misfit_of(np.pad(0.5 * (one + other), 20), one[None], np.array([5.0]))
    assert half_way < told[0] < apart
    # Two steps alike allow nothing.
    same = allowed_between(Learned(np.stack([one, one]), np.array([4.0, 6.0]), BEFORE), REACH)
    assert abs(same[0]) < 0.03


def test_a_head_that_is_not_whole_has_no_misfit() -> None:
    learned = head(0.0)[20 : 20 + SIZE]
    cut = head(0.0)[: BEFORE + 30]
    assert np.isnan(misfit_of(cut, learned[None], np.array([5.0])))


def test_noise_alone_is_not_told_as_another_shape() -> None:
    rng = np.random.default_rng(4)
    learned, count, snr_db = head(0.0), 2000, 26.0
    sigma = np.abs(learned).max() * 10.0 ** (-snr_db / 20.0)
    traces = learned + sigma * rng.standard_normal((count, learned.size))
    misfit = np.empty(count)
    heads = learned[20 : 20 + SIZE][None]
    top, clock_us = np.full(count, BEFORE + 20), np.full(count, 5.0)
    usual = Learned(heads, np.array([5.0]), BEFORE)
    write_arrival_residuals(traces, top, (clock_us, 0.01), usual, REACH, misfit)
    told = is_unlike(misfit, np.zeros(count), np.full(count, 0.06), np.full(count, snr_db))
    assert np.isfinite(misfit).all()
    assert told.mean() < 0.01


@given(usual=st.floats(0.0, 0.3))
def test_what_the_steps_left_is_allowed(usual: float) -> None:
    allowed = max(1.5 * usual, usual + 0.06)
    for misfit, told in ((0.99 * allowed, False), (1.01 * allowed + 1e-6, True)):
        one = [np.array([each]) for each in (misfit, usual, 0.06, 200.0)]
        assert is_unlike(*one)[0] == told


def pulse(late: float, half: int = 60, period: float = PERIOD) -> FloatArray:
    at = np.arange(-half, half + 1) - late
    return np.exp(-0.5 * (at / period) ** 2) * np.cos(2.0 * np.pi * at / period)


def left_of(trace: FloatArray, place: float, known: Template) -> tuple[float, float, float]:
    misfit, sized = np.empty(1), Sized(np.empty(1), np.empty(1))
    usual = Usual(known.shapes, known.drifts)
    write_shape_residuals(trace[None], np.array([place]), usual, misfit, sized)
    return float(misfit[0]), float(sized.height[0]), float(sized.share[0])


@settings(deadline=None, max_examples=30)
@given(
    share=st.floats(-1.0, 1.0),
    late=st.floats(-0.5, 0.5),
    size=st.floats(10.0, 1e4) | st.floats(-1e4, -10.0),
)
def test_an_echo_that_drifts_as_the_steps_did_leaves_nothing(
    share: float, late: float, size: float
) -> None:
    shape, drift = pulse(0.0), 0.2 * pulse(0.0, period=1.2 * PERIOD)
    known = Template(shape, drift=drift)
    moved = pulse(late, 90) + share * 0.2 * drifted(late)
    misfit, height, found = left_of(size * moved, 90.0 + late, known)
    assert misfit < 0.02
    assert abs(height / size - 1.0) < 0.02
    assert abs(found - share) < 0.15


def drifted(late: float) -> FloatArray:
    at = np.arange(-90, 91) - late
    wide = 1.2 * PERIOD
    return np.exp(-0.5 * (at / wide) ** 2) * np.cos(2.0 * np.pi * at / wide)


@pytest.mark.parametrize(
    ("place", "whole"), [(59.0, False), (60.0, True), (139.0, True), (140.0, False)]
)
def test_an_echo_that_is_not_whole_in_its_record_leaves_nothing_known(
    place: float, whole: bool
) -> None:
    """The usual echo spans 60 samples to each side; the record has 200."""
    at = np.arange(200.0) - place
    trace = np.exp(-0.5 * (at / PERIOD) ** 2) * np.cos(2.0 * np.pi * at / PERIOD)
    misfit, height, share = left_of(trace, place, Template(pulse(0.0)))
    assert np.isfinite(misfit) == whole
    assert height == pytest.approx(1.0 if whole else 0.0, abs=1e-3)
    assert share == 0.0


def test_an_echo_that_drifts_further_is_told() -> None:
    known = Template(pulse(0.0), drift=0.2 * pulse(0.0, period=1.2 * PERIOD))
    near = left_of(pulse(0.0, 90) + MOST_DRIFT * 0.2 * drifted(0.0), 90.0, known)
    far = left_of(pulse(0.0, 90) + 5.0 * 0.2 * drifted(0.0), 90.0, known)
    assert near[0] < 1e-6
    assert far[0] > 0.1
    assert left_of(pulse(0.0, 90) + 0.2 * drifted(0.0), 90.0, Template(pulse(0.0)))[0] > 0.05


def test_an_echos_own_beginning_is_no_other_echo() -> None:
    known, reach = Template(pulse(0.0)), 30
    trace = np.zeros((2, 400))
    trace[:, 200:321] = 50.0 * pulse(0.0)
    trace[1, 150:271] += 5.0 * pulse(0.0)
    place, peak = np.full(2, 260.0), np.full(2, 260)
    misfit, sized = np.empty(2), Sized(np.empty(2), np.empty(2))
    usual = Usual(known.shapes, known.drifts)
    write_shape_residuals(trace, place, usual, misfit, sized)
    whole = trace.copy()
    take_off_forerunners(trace, place, peak, reach, usual, sized)
    ahead = np.abs(trace[:, : 260 - reach]).max(axis=1)
    assert np.abs(whole[0, : 260 - reach]).max() > 10.0
    assert ahead[0] < 0.1
    assert 4.5 < ahead[1] < 5.5
    assert np.array_equal(trace[:, 260 - reach :], whole[:, 260 - reach :])


def test_a_second_echo_is_found_beside_the_flank_of_another() -> None:
    """What grows towards the end of the search is another echo's; the one between is the second."""
    half, sought, reach = 30, 100, 70

    def echo(late: float, around: int) -> FloatArray:
        at = np.arange(-around, around + 1) - late
        return np.exp(-0.5 * (at / 0.6 / PERIOD) ** 2) * np.cos(2.0 * np.pi * at / PERIOD)

    first, second = echo(0.0, half), 0.6 * echo(40.0, half + sought)
    flank = echo(-reach - 6.0, half + sought)
    room, noise = np.array([reach]), np.array([0.01])
    told = []
    for trace in (second, second + flank, flank):
        found = Second(np.empty(1), np.empty(1), np.empty(1))
        write_second((first[None], trace[None]), room, noise, np.ones(1), PERIOD, found)
        (off,), (least,), (share,) = found
        assert abs(least) <= abs(off) or trace is flank
        told.append(abs(off) > 0.2 * PERIOD)
        assert trace is flank or abs(share - 0.6) < 0.05
    assert told == [True, True, False]


@pytest.mark.parametrize("late", [-39, -17, 0, 17, 39])
def test_a_second_echo_is_found_up_to_the_last_place_with_one_beside_it(late: int) -> None:
    half, sought = 30, 40
    at = np.arange(-half, half + 1)
    first = np.exp(-0.5 * (at / 0.4 / PERIOD) ** 2) * np.cos(2.0 * np.pi * at / PERIOD)
    wide = np.arange(-half - sought, half + sought + 1) - late
    later = 0.5 * np.exp(-0.5 * (wide / 0.4 / PERIOD) ** 2) * np.cos(2.0 * np.pi * wide / PERIOD)
    found = Second(np.empty(1), np.empty(1), np.empty(1))
    around, room = (first[None], later[None]), np.array([sought])
    write_second(around, room, np.array([1e-3]), np.ones(1), PERIOD, found)
    assert found.off[0] == late
    assert found.share[0] == pytest.approx(0.5, abs=1e-2)


def test_which_way_up_a_second_echo_is_settles_its_half_cycle() -> None:
    """Late by 0.4 periods, an echo that is turned over is as like one that is 0.1 early."""
    half, sought, late = 30, 40, 8
    at = np.arange(-half, half + 1)
    first = np.exp(-0.5 * (at / 1.5 / PERIOD) ** 2) * np.cos(2.0 * np.pi * at / PERIOD)
    wide = np.arange(-half - sought, half + sought + 1) - late
    later = -0.5 * np.exp(-0.5 * (wide / 1.5 / PERIOD) ** 2) * np.cos(2.0 * np.pi * wide / PERIOD)
    found = Second(np.empty(2), np.empty(2), np.empty(2))
    around = (np.stack([first, first]), np.stack([later, later]))
    turn, noise = np.array([-1.0, 1.0]), np.full(2, 1e-3)
    write_second(around, np.full(2, sought), noise, turn, PERIOD, found)
    assert found.off[0] == pytest.approx(late, abs=0.1)
    assert abs(found.off[1] - late) == pytest.approx(0.5 * PERIOD, abs=0.5)
    assert found.share[0] < 0.0 < found.share[1]


def test_what_is_left_of_a_shape_may_lie_along_its_slope() -> None:
    """A wave with a part m of its quarter-turned self added is moved by atan(m) of its turn."""
    part, frequency_mhz, clean_db = 0.05, 5.0, np.array([200.0])
    moved_us = np.arctan(part) / (2.0 * np.pi * frequency_mhz)
    told = u_of_shape_us(np.array([part]), 0.0, clean_db, frequency_mhz)
    assert abs(told[0] - moved_us) < 0.01 * moved_us
    # Noise leaves so much of any echo, and an echo that is not whole says nothing.
    noisy = u_of_shape_us(np.array([0.025, np.nan]), 0.0, np.array([40.0, 40.0]), frequency_mhz)
    assert np.abs(noisy).max() < 1e-9
