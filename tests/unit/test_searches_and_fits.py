"""Searches that stop where they say, and fits of problems whose answer can be written down."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.special import erfc

from ascan.checks.shape_mismatch import Sized, Usual, write_shape_residuals
from ascan.checks.spike_repaired import mark_spiked
from ascan.finding.arrival_match import match_shapes, next_top
from ascan.finding.echo import Choice, find_echoes, highest_of_echo
from ascan.finding.rows import Found, Learned, Row, Trace
from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.kernels.level import bits_of
from ascan.learning import arrival_models, first_arrivals
from ascan.learning.left_out import left_out_steps
from ascan.whole_record.coated_problem import solved
from ascan.whole_record.operator import Operator
from ascan.whole_record.repeats import filter_of, told_by

# Half-cycles, crests, arrivals


def test_where_nothing_but_zeros_follows_no_half_cycle_does() -> None:
    samples = np.array([0.0, 0.0, 0.5, 1.0, 0.5, 0.0, 0.0, 0.0])
    assert next_top(samples, 3, 1, samples.size) == -1
    assert next_top(samples, 3, -1, samples.size) == -1
    samples[6] = -0.1
    assert next_top(samples, 3, 1, samples.size) == 6


@pytest.mark.parametrize("later", [8, 9])
def test_a_pulse_rises_no_further_than_a_period_at_a_time(later: int) -> None:
    period = 8
    samples = np.zeros(40)
    samples[10], samples[10 + later] = 1.0, 2.0
    found = highest_of_echo(samples, bits_of(samples), 10, samples.size, 0, period)
    assert found == (10 + later if later <= period else 10)
    # So from where it has come to, too.
    samples[10 + later], samples[18], samples[18 + later] = 0.0, 2.0, 3.0
    found = highest_of_echo(samples, bits_of(samples), 10, samples.size, 0, period)
    assert found == (18 + later if later <= period else 18)


def test_the_highest_crest_of_a_coarse_first_echo_lies_between_its_samples() -> None:
    # Five samples a period: the crest at 40.5 reads 0.81 of itself, its neighbours at 38 and 43 all
    # of theirs, 0.9 of it.
    after = np.arange(90) - 40.5
    width = 2.5 / np.sqrt(-2.0 * np.log(0.9))
    samples = np.exp(-0.5 * (after / width) ** 2) * np.cos(2.0 * np.pi * after / 5.0)
    assert int(np.argmax(np.abs(samples))) in (38, 43)
    block = samples[None]
    one = np.ones(1, np.int64)
    trace = Trace(block, 10 * one, 80 * one, 0 * one, 90 * one, np.zeros(1, np.int8), np.zeros(1))
    found = Found(one.copy(), one.copy(), np.zeros(1, np.int8), one.copy())
    threshold = int(bits_of(np.array([0.5]))[0])
    flags = np.zeros(1, np.uint32)
    find_echoes(trace, bits_of(block), Choice(threshold, True, 8, True), found, flags)
    assert int(found.peak[0]) in (40, 41)
    assert found.sign[0] == 1


PERIOD, APART = 20, 120


def arrivals(early: float) -> tuple[Row, FloatArray]:
    """Return a row of two echoes alike, the first one ``early`` of the second, and one echo."""
    j = np.arange(2 * PERIOD, dtype=np.float64)
    echo = np.sin(2.0 * np.pi * j / PERIOD) * np.sin(np.pi * j / j.size) ** 2
    echo /= np.abs(echo).max()
    samples = np.zeros(400)
    samples[100 : 100 + echo.size] = early * echo
    samples[100 + APART : 100 + APART + echo.size] = echo
    places = np.array([0.0, 400.0])
    train = np.stack([places, places + APART, places + 1000.0])
    opens = int(np.argmax(echo[: PERIOD // 2]))
    learned = Learned(echo[None], np.zeros(1), opens)
    reach = 3 * PERIOD // 2
    row = Row(samples, np.empty(0), train, learned, 0.0, 0.01, 0, samples.size, reach, 0)
    return row, echo


@pytest.mark.parametrize("early", [0.25, 0.35])
def test_a_foretelling_echo_is_taken_itself_unless_it_is_below_three_tenths(early: float) -> None:
    row, echo = arrivals(early)
    opens, low = row.learned.zero_index, 0.05
    begin = {height: int(np.argmax(np.abs(height * echo) >= low)) for height in (early, 1.0)}
    late = 100 + APART + begin[1.0], 100 + APART + opens
    top, arrival, sure = match_shapes(row, late, (0.2, low), 0.0)
    if early < 0.3:
        assert (arrival, top) == late
    else:
        assert (arrival, top) == (100 + begin[early], 100 + opens)
        assert not sure


# Shapes and mended samples


def residuals(trace: AnyArray, position: float, usual: Usual) -> tuple[float, float, float]:
    out, sized = np.zeros(1), Sized(np.ones(1), np.ones(1))
    write_shape_residuals(trace[None], np.array([position]), usual, out, sized)
    return float(out[0]), float(sized.height[0]), float(sized.share[0])


def test_an_echo_cut_off_by_the_end_of_the_record_has_no_shape() -> None:
    shape = np.array([0.0, 1.0, -2.0, 1.0, 0.0])
    usual = Usual(np.tile(shape, (2, 1)), np.zeros((2, 5)))
    trace = np.zeros(40)
    trace[20:25] = 3.0 * shape
    left, height, share = residuals(trace[:25], 22.0, usual)
    assert left < 1e-6
    assert (height, share) == (pytest.approx(3.0), 0.0)
    left, height, share = residuals(trace[:24], 22.0, usual)
    assert np.isnan(left)
    assert (height, share) == (0.0, 0.0)


def test_an_echo_with_nothing_of_the_usual_shape_is_none() -> None:
    # It is across the shape, and along the drift, which itself holds some of the shape.
    shape, drift = np.array([0.0, 1.0, 0.0, 0.0, 0.0]), np.array([0.0, -1.0, 1.0, 0.0, 0.0])
    usual = Usual(np.tile(shape, (2, 1)), np.tile(drift, (2, 1)))
    trace = np.zeros(11)
    trace[5] = 2.0
    left, height, share = residuals(trace, 5.0, usual)
    assert np.isnan(left)
    assert (height, share) == (0.0, 0.0)


@pytest.mark.parametrize(("place", "peak"), [(20.0, 30.0), (30.0, 20.0)])
def test_a_mended_sample_counts_round_an_echo_from_place_to_peak(place: float, peak: float) -> None:
    reach = 4
    for mended, counts in ((15, False), (16, True), (25, True), (34, True), (35, False)):
        block = np.zeros((1, 60))
        block[0, mended] = 1.0
        found = np.zeros(1, np.bool_)
        mark_spiked(block, np.zeros((1, 60)), np.array([place]), np.array([peak]), reach, found)
        assert found[0] == counts


# Learning


def test_a_polarity_that_steps_explain_far_worse_is_out_however_clear(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    period, before = 10.0, 12

    def cut_of(_known: Any, _procedure: Any, attempt: Any, polarity: int) -> tuple[FloatArray, int]:
        cut = np.zeros((2, 40))
        cut[:, before], cut[:, before + 5] = polarity * attempt.opening, -1.0
        return cut, before

    gates = SimpleNamespace(meter=SimpleNamespace(period=period))
    monkeypatch.setattr(first_arrivals, "cut_arrivals", cut_of)
    monkeypatch.setattr(first_arrivals, "gates_of", lambda *_: gates)
    known: Any = SimpleNamespace(scan=SimpleNamespace(recording=None))

    def clearest(worse: float) -> int:
        attempts: Any = {
            1: SimpleNamespace(opening=0.4, fits=[SimpleNamespace(score=5.0)]),
            -1: SimpleNamespace(opening=0.8, fits=[SimpleNamespace(score=5.0 + worse)]),
        }
        return first_arrivals._clearest(known, SimpleNamespace(), attempts)  # type: ignore[arg-type]

    # A score is twice a log likelihood: 12 is strong, twice that is as good as certain.
    assert clearest(23.9) == -1
    assert clearest(24.1) == 1


def test_nominal_echoes_are_sought_from_the_same_part_of_a_period_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    windows = []
    monkeypatch.setattr(arrival_models.dataclasses, "replace", lambda gate, **_: gate)

    def begin_periods(frequency_mhz: float) -> float:
        def time_gate(_gate: Any, window_us: tuple[float, float], *_: Any) -> None:
            windows.append(window_us)

        setting = SimpleNamespace(
            probe=SimpleNamespace(frequency_mhz=frequency_mhz),
            layout=SimpleNamespace(reach_us=1.5 / frequency_mhz),
        )
        stage: Any = SimpleNamespace(setting=setting, time_gate=time_gate)
        gate: Any = None
        arrival_models._timed(stage, gate, np.zeros((1, 10)), "positive")
        return windows[-1][0] * frequency_mhz

    assert begin_periods(2.0) == pytest.approx(begin_periods(10.0), rel=1e-12)
    # A record begins two leads before its echo: the gate opens in the first of them.
    assert 0.0 < windows[-1][0] * 10.0 < arrival_models.LEAD_PERIODS


def test_the_worst_left_out_step_is_tested_as_the_worst_of_so_many_normal_ones() -> None:
    off_mm, u_mm = np.array([0.01, -0.05, 0.02, 0.0]), 0.02
    thicker = np.array([0.0, 2.0, 0.0])
    columns = SimpleNamespace(
        own=np.array([[1.0, 0.0, 0.0]]), thicker=thicker, shared=np.zeros((1, 3)), model=np.zeros(3)
    )
    estimate = SimpleNamespace(
        place=np.zeros(4), thickness_mm=np.full(4, 5.0), heights=np.ones((4, 1)), noise=np.zeros(4)
    )
    learned: Any = SimpleNamespace(
        estimate=estimate,
        without_step=[(np.zeros(1), np.zeros((1, 1)))] * 4,
        family=SimpleNamespace(columns=lambda *_: columns),
    )
    records: Any = SimpleNamespace(
        step=np.arange(4),
        usual=np.zeros(4),
        weight=np.ones((4, 3)),
        samples=off_mm[:, None] * thicker,
        known_mm=np.full(4, 5.0),
        u_step_mm=np.full(4, u_mm),
    )
    lack_mm, p_value = left_out_steps(learned, records)
    # Two-sided: erfc(z / √2) for a normal deviation of z, times the number of steps.
    assert p_value == pytest.approx(4.0 * erfc(2.5 / np.sqrt(2.0)), rel=1e-9)
    assert p_value < 0.05
    assert lack_mm == pytest.approx(np.sqrt(np.mean(off_mm**2) - u_mm**2))


# Fits


def test_a_tap_heard_at_the_ridge_s_part_of_the_loudest_is_halved() -> None:
    # (s² + r) x = s y, with s² = r of the largest: half of y / s.
    faint = np.sqrt(1e-5)
    moved = np.diag([1.0, faint, 0.0])
    own = np.array([[0.0, 0.0, 1.0]])
    samples = moved @ np.array([2.0, 3.0, 0.0])
    found, _ = filter_of([(samples, moved, own)])
    np.testing.assert_allclose(found, [2.0 / (1.0 + 1e-5), 1.5, 0.0], rtol=1e-9, atol=1e-12)


def test_a_second_trip_of_the_other_sign_is_none() -> None:
    j = np.arange(60.0)
    again = np.exp(-0.5 * ((j - 30.0) / 5.0) ** 2)
    own = np.cos(0.3 * j)[None]
    assert told_by(-0.7 * again, again, own) == (0.0, 0.0)
    assert told_by(0.7 * again, again, own) == pytest.approx((0.7, 0.0), abs=1e-9)


def test_without_a_path_a_wall_of_no_thickness_changes_nothing() -> None:
    operator = Operator(velocity_mm_per_us=5.9, radius_mm=1.0, attenuation_db_per_mm=0.1)
    response = operator.response(np.array([2.0, 5.0, 8.0]), np.zeros(1))
    np.testing.assert_allclose(response, 1.0, rtol=0.0, atol=2e-3)


@pytest.mark.parametrize("unit", [1.0, 1e6])
def test_what_two_columns_alike_leave_open_the_ridge_holds(unit: float) -> None:
    # The matrix of two equal columns of size 1: along (1, -1) nothing but 1e-10 is left of it.
    units = np.array([1.0, unit])
    matrix, right = np.outer(units, units), np.array([1.0, -1.0]) * units
    found, inverse = solved(matrix, right)
    np.testing.assert_allclose(found * units, [1e10, -1e10], rtol=1e-4, atol=0.0)
    np.testing.assert_allclose(inverse @ right, found, rtol=1e-12, atol=0.0)
