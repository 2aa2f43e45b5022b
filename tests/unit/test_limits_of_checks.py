"""Each limit of a check from both sides: just within it nothing stands, just beyond it does.

What a limit is made of (noise, what the steps showed, the procedure's key) is stated in the check
that owns it; here it is worked out once more by hand.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from ascan.base.flags import Flag
from ascan.checks import (
    first_interval,
    interface_shifted,
    missing_second,
    multiple_suspected,
    ranges,
    record_odds,
    record_other,
    record_residual,
    second_interval,
    second_path,
    weak_echo,
)
from ascan.checks.check import Verdict
from ascan.checks.cycle_uncertain import Times, weigh_half_cycle
from ascan.checks.interface_multiple import weigh_repeat
from ascan.checks.missing_second import is_missing
from ascan.checks.multiples import is_apart
from ascan.checks.shape_mismatch import is_unlike, u_of_shape_us
from ascan.checks.strength_of_scan import least_of_scan
from ascan.checks.table import keys
from ascan.checks.uneven_spacing import mark_uneven
from ascan.checks.unexpected_echo import Beside, mark_others
from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.steps.table import StepTable, table_of

LITTLE = 1e-6
LOUD_DB = 300.0


def seen(**holds: Any) -> Any:
    """Return what a check sees, as far as one test needs it; limits are the defaults."""
    limits = {name: key.default for name, key in keys().items()} | holds.pop("limits", {})
    return SimpleNamespace(limit=limits.__getitem__, **holds)


def raised(verdict: Verdict, flag: Flag) -> list[bool]:
    return np.asarray(verdict[flag]).tolist()


def both_sides(limit: float) -> AnyArray:
    return np.array([limit * (1.0 - LITTLE), limit * (1.0 + LITTLE)])


# Steps


def test_rows_are_paired_with_steps_by_id_when_a_range_leaves_steps_out() -> None:
    known = np.array([12.0, 3.0, 8.0, 5.0, 5.0])
    table = table_of(known, np.full(5, 0.01))
    ids = table.ids_of(known)
    use = np.array([True, False, False, True, True])
    values = table.per_step(np.array([1.2, 0.3, 0.8, 0.4, 0.6]), ids, use)
    np.testing.assert_array_equal(values, [np.nan, 0.5, np.nan, 1.2])


def test_a_wall_takes_the_larger_or_the_smaller_of_its_own_two_steps() -> None:
    table = StepTable(
        thickness_mm=np.array([3.0, 5.0, 8.0, 12.0]), u_mm=np.zeros(4), used=np.ones(4, np.bool_)
    )
    values = np.array([4.0, 1.0, np.nan, 2.0])
    walls = np.array([1.0, 4.0, 6.0, 10.0, 20.0])
    np.testing.assert_array_equal(table.between(values, walls), [4.0, 4.0, 2.0, 2.0, 2.0])
    least = table.between(values, walls, np.minimum)
    np.testing.assert_array_equal(least, [4.0, 1.0, 1.0, 1.0, 1.0])
    assert np.isnan(table.between(np.full(4, np.nan), walls)).all()


# Single echoes


def others(
    ahead: float, behind: float, *, snr_db: float, relative: float = 1.0, grain: float = 0.0
) -> bool:
    """Tell whether that is marked where the steps had 0.1, 0.3 there; 0.2, 0.5 are allowed."""
    found, one = np.zeros(1, np.bool_), np.ones(1)
    beside = Beside(np.array([ahead]), np.array([behind]), grain * one)
    mark_others(beside, (0.1 * one, 0.3), (0.2, 0.5), snr_db * one, relative * one, found)
    return bool(found[0])


@pytest.mark.parametrize(
    ("relative", "snr_db", "limit"),
    [
        (1.0, LOUD_DB, 0.2),
        # Half as high: half as much is allowed ahead, but never less than the steps had and half
        # as much again.
        (0.9, LOUD_DB, 0.18),
        (0.5, LOUD_DB, 0.15),
        # Four and a half deviations of noise come on top of what the steps had.
        (1.0, 20.0, 0.1 + 0.45),
    ],
)
def test_ahead_of_an_echo(relative: float, snr_db: float, limit: float) -> None:
    low, high = both_sides(limit)
    assert not others(low, 0.0, snr_db=snr_db, relative=relative)
    assert others(high, 0.0, snr_db=snr_db, relative=relative)


def test_ahead_of_an_echo_in_grain() -> None:
    """Three deviations of what lies all along there come on top of what the steps had."""
    low, high = both_sides(0.1 + 3.0 * 0.05)
    assert not others(low, 0.0, snr_db=LOUD_DB, grain=0.05)
    assert others(high, 0.0, snr_db=LOUD_DB, grain=0.05)


@pytest.mark.parametrize(("snr_db", "limit"), [(LOUD_DB, 0.5), (20.0, 0.95)])
def test_behind_an_echo(snr_db: float, limit: float) -> None:
    low, high = both_sides(limit)
    assert not others(0.0, low, snr_db=snr_db, relative=0.5)
    assert others(0.0, high, snr_db=snr_db, relative=0.5)


@pytest.mark.parametrize(
    ("usual", "snr_db", "limit"), [(0.1, LOUD_DB, 0.3), (0.4, LOUD_DB, 0.6), (0.1, 20.0, 0.75)]
)
def test_apart_of_the_multiples(usual: float, snr_db: float, limit: float) -> None:
    low, high = both_sides(limit)
    for share, stands in ((low, False), (high, True)):
        got = is_apart(np.array([share]), np.array([usual]), 0.3, np.array([snr_db]))
        assert got.tolist() == [stands]


@pytest.mark.parametrize(("usual", "limit"), [(0.02, 0.02 + 0.1), (0.5, 1.5 * 0.5)])
def test_another_shape(usual: float, limit: float) -> None:
    one = np.ones(2)
    found = is_unlike(both_sides(limit), usual * one, 0.1 * one, LOUD_DB * one)
    assert found.tolist() == [False, True]


def test_noise_alone_is_no_other_shape() -> None:
    """At 20 dB the peak of noise's root mean square is a tenth of the echo's peak."""
    one = np.ones(2)
    found = is_unlike(np.array([0.12, 0.8]), 0.0 * one, 0.01 * one, 20.0 * one)
    assert found.tolist() == [False, True]


def test_what_is_left_of_an_echo_moves_it_along_its_slope() -> None:
    quiet, noisy = u_of_shape_us(np.array([0.1, 0.1]), 0.0, np.array([LOUD_DB, 20.0]), 5.0)
    assert abs(quiet - 0.1 / (2.0 * np.pi * 5.0)) < 1e-12
    assert 0.0 <= noisy < quiet


@pytest.mark.parametrize("off", [-0.6, -0.3, -0.25, -0.1, 0.0, 0.05, 0.25, 0.4])
def test_odds_of_a_half_cycle(off: float) -> None:
    """((1/2 − d)² − d²) / s² of being d periods off, and the neighbour on the side of the error."""
    period_us, u_us, odds, late_us = 0.2, 0.004, np.empty(1), np.empty(1)
    timed_us = np.array([10.0 + off * period_us])
    times = Times(timed_us, np.array([9.97]), np.array([u_us]))
    weigh_half_cycle(times, 0.03, period_us, odds, late_us)
    variance = 0.07**2 + (u_us / period_us) ** 2
    assert abs(odds[0] - ((0.5 - abs(off)) ** 2 - off**2) / variance) < 1e-6
    assert off == 0.0 or abs(late_us[0] - np.sign(off) * 0.5 * period_us) < 1e-12


def test_even_odds_of_an_earlier_echo() -> None:
    odds = multiple_suspected.odds_against(np.array([0.69, 0.70, 0.71, 0.0, np.nan]), 1.4)
    assert odds[0] > 0.0 > odds[2]
    assert abs(odds[1]) < 1e-9
    assert abs(odds[3] - (1.4 / 1.4 / 0.25) ** 2) < 1e-9
    assert np.isnan(odds[4])


def test_a_repeat_of_the_interface_echo_is_expected_where_its_path_says() -> None:
    """Trigger 0.5 µs late, path 10 µs: it repeats 10 µs after the interface echo."""
    surface_us, delay_us, reach_us = np.array([10.5, 10.5]), 0.5, 0.3
    odds = np.empty(2)
    weigh_repeat(surface_us, np.array([20.5, 22.5]), delay_us, reach_us, odds)
    assert odds[0] <= 0.0 < 8.0 < odds[1]


def test_echoes_of_one_wall_are_evenly_spaced() -> None:
    period_us, found = 0.2, np.zeros(4, np.bool_)
    first = np.array([3.0, 3.0, 3.0, 3.0])
    second = first + 3.0
    third = second + np.array([3.0, 3.0 + 0.49 * period_us, 3.0 - 0.51 * period_us, 3.0])
    surface = np.array([0.0, 0.0, 0.0, -2.1 * period_us])
    mark_uneven(surface, np.stack([first, second, third]), period_us, found)
    assert found.tolist() == [False, False, True, True]


def test_a_missing_second_echo() -> None:
    usual, one = 0.5, np.ones(2)
    assert is_missing(both_sides(0.2), usual * one, LOUD_DB * one).tolist() == [True, False]
    # Five deviations of noise at 40 dB are a twentieth.
    assert is_missing(both_sides(0.15), usual * one, 40.0 * one).tolist() == [True, False]
    assert not is_missing(np.array([np.nan]), np.array([0.5]), np.array([LOUD_DB])).any()


def test_steps_without_a_second_echo_take_the_next_thicker_ones() -> None:
    table = StepTable(thickness_mm=np.arange(2.0, 6.0), u_mm=np.zeros(4), used=np.ones(4, np.bool_))
    found = np.array([np.nan, 0.4, np.nan, np.nan])
    layout = SimpleNamespace(
        is_dual=True, times_single_echoes=True, of_whole_record=False, back_wall="wall"
    )
    on: Any = SimpleNamespace(
        layout=layout, steps=table, per_step=lambda _: found, columns={"second_echo_ratio": found}
    )
    np.testing.assert_array_equal(missing_second.learn(on)["wall"], [0.4, 0.4, 0.0, 0.0])


def layout_of(**holds: Any) -> Any:
    return SimpleNamespace(**({"interface": "", "back_wall": "wall", "coating": ""} | holds))


def weakness(least_strength: float = float("nan"), **found: Any) -> list[bool]:
    """Return which echoes are weak, by what was found of them."""
    echoes = {"wall": SimpleNamespace(snr_db=np.full(2, LOUD_DB))}
    about = SimpleNamespace(least_strength=least_strength)
    found = {"whole_interface": np.zeros(2, np.bool_), "relative_amplitude": np.ones(2)} | found
    got = weak_echo.judge(seen(layout=layout_of(), echoes=echoes, about=about), found)
    return raised(got, Flag.WEAK_ECHO)


def test_against_the_interface_echo() -> None:
    whole = np.ones(2, np.bool_)
    assert weakness(relative_amplitude=both_sides(0.7), whole_interface=whole) == [True, False]


def test_without_an_interface_echo_the_procedure_or_the_scan_says_what_is_weak() -> None:
    assert weakness(relative_amplitude=both_sides(0.5)) == [True, False]
    assert weakness(0.3, relative_amplitude=both_sides(0.3)) == [True, False]
    assert weakness(0.8, relative_amplitude=both_sides(0.8)) == [True, False]


def test_a_second_echo_as_usual_leaves_more_to_coupling() -> None:
    """From 0.8 of its usual share on, and where it is a tenth of the first at least."""
    loose, usual = 0.5 * weak_echo.LOOSE, np.full(2, 0.5)
    for share, heard, limit in (
        (0.45, usual, loose),
        (0.35, usual, 0.5),
        (0.045, 0.1 * usual, 0.5),
    ):
        found = {"second_share": np.full(2, share), "usual_second": heard}
        found["relative_second"] = found["second_share"] / heard
        assert weakness(relative_amplitude=both_sides(limit), **found) == [True, False]


def test_a_second_echo_tells_the_wall_from_coupling() -> None:
    share = both_sides(0.6 * 0.5)
    told = weakness(second_share=share, usual_second=np.full(2, 0.5), relative_second=share / 0.5)
    assert told == [True, False]


def test_what_a_scan_calls_weak() -> None:
    """2 dB below its middle, two deviations of its louder ones below, never 20 dB."""
    even, spread_db = np.ones(100), np.random.default_rng(1).normal(0.0, 4.0, 20_000)
    assert least_of_scan(even) == pytest.approx(10.0 ** (-2.0 / 20.0))
    spread = least_of_scan(10.0 ** (spread_db / 20.0))
    assert 20.0 * np.log10(spread) == pytest.approx(-8.0, abs=0.3)
    # All of it 12 dB below the steps: that is no measure.
    assert least_of_scan(0.25 * even) == pytest.approx(10.0 ** (-4.0 / 20.0))
    loud = 10.0 ** (np.linspace(0.0, 60.0, 100) / 20.0)
    assert least_of_scan(loud) >= 0.1


def test_an_echo_twice_as_high_is_another_unless_the_interface_echo_is_clipped() -> None:
    about = SimpleNamespace(least_strength=float("nan"))
    for whole, expected in ((True, [False, True]), (False, [False, False])):
        found = {"relative_amplitude": both_sides(2.0), "whole_interface": np.full(2, whole)}
        got = weak_echo.judge(seen(layout=layout_of(), echoes={}, about=about), found)
        assert raised(got, Flag.UNEXPECTED_ECHO) == expected


def test_usual_amplitude_between_steps_is_straight_in_decibels() -> None:
    """Half-way between steps that differ by 12 dB an echo is usual 6 dB below the first."""
    share = weak_echo.share_of_usual(
        np.array([0.5, 1.0, 0.25]), np.array([6.0, 2.0, 20.0]), np.array([4.0, 8.0]),
        np.array([1.0, 0.25]),
    )  # fmt: skip
    np.testing.assert_allclose(share, [1.0, 1.0, 1.0], rtol=1e-12, atol=0.0)


def test_an_interface_echo_that_moved() -> None:
    """By more than a period (the key's default) beyond the span of the steps."""
    period_us = 0.2
    time_us = np.concatenate([10.0 - both_sides(period_us), 10.4 + both_sides(period_us)])
    judged = interface_shifted.judge(
        seen(layout=layout_of(period_us=period_us)),
        {"time_us": time_us, "span_us": np.array([10.0, 10.4])},
    )
    assert raised(judged, Flag.INTERFACE_SHIFTED) == [False, True, False, True]


def test_a_first_interval_unlike_the_later_ones() -> None:
    period_us = 0.2
    slack_us = first_interval.LEAD_PERIODS * period_us
    excess = np.concatenate([0.1 - both_sides(slack_us), 0.3 + both_sides(slack_us)])
    uncoated = [False, True, False, True]
    for coating, expected in (("", uncoated), ("stated", [False, True, False, False])):
        judged = first_interval.judge(
            seen(layout=layout_of(period_us=period_us, coating=coating)),
            {"excess_us": excess, "span_us": np.array([0.1, 0.3])},
        )
        assert raised(judged, Flag.UNEVEN_SPACING) == expected


def test_ranges_allow_twice_the_noise_of_a_reading() -> None:
    thickness = np.concatenate([5.0 - both_sides(0.02), 12.0 + both_sides(0.02)])
    about = SimpleNamespace(
        steps=StepTable(
            thickness_mm=np.array([3.0, 5.0, 12.0]), u_mm=np.zeros(3),
            used=np.array([False, True, True]),
        ),
        measuring_mm=(4.0, 11.99),
    )  # fmt: skip
    one = seen(about=about, thickness_mm=thickness)
    judged = ranges.judge(one, {"u_mm": np.full(4, 0.01)})
    assert raised(judged, Flag.OUTSIDE_CALIBRATED_RANGE) == [False, True, False, True]
    assert raised(judged, Flag.OUTSIDE_MEASURING_RANGE) == [False, False, True, True]


# A second interval


def test_two_intervals_that_disagree() -> None:
    columns = {"u_on_block_mm": np.full(2, 0.03)}
    second = {"thickness_mm": 8.0 - both_sides(0.15), "u_on_block_mm": np.full(2, 0.04)}
    one = seen(
        second=second, thickness_mm=np.full(2, 8.0), columns=columns,
        about=SimpleNamespace(coating_ratio=0.0),
    )  # fmt: skip
    found = second_interval.evidence(one)
    np.testing.assert_allclose(found["second_off"], [3.0, 3.0], rtol=1e-5, atol=0.0)
    assert raised(second_interval.judge(one, found), Flag.SECOND_DISAGREES) == [False, True]


@pytest.mark.parametrize("between_back_walls", [False, True])
def test_a_coating_explains_what_is_thicker_through_it(between_back_walls: bool) -> None:
    """The interval that crosses the coating reads thick by coating / ratio."""
    apart_mm, way = 0.6, -1.0 if between_back_walls else 1.0
    one = seen(
        second={"thickness_mm": np.full(2, 8.0), "u_on_block_mm": np.full(2, 0.01)},
        thickness_mm=8.0 + way * np.array([apart_mm, -apart_mm]),
        columns={"u_on_block_mm": np.full(2, 0.01)},
        about=SimpleNamespace(coating_ratio=0.4),
        layout=layout_of(between_back_walls=between_back_walls),
    )
    found = second_interval.evidence(one)
    np.testing.assert_allclose(found["coating_mm"], [0.24, -0.24], rtol=0.0, atol=1e-12)
    assert raised(second_interval.judge(one, found), Flag.SECOND_DISAGREES) == [False, True]


def path(late_mm: FloatArray, delay_us: FloatArray) -> list[bool]:
    """Return the verdict on a second path so late, and on records that are late as a whole."""
    one = seen(
        fit={
            "second_late_mm": late_mm,
            "u_second_late_mm": np.full(2, 0.03),
            "delay_us": delay_us,
        },
        columns={
            "from_calibration_model_mm": np.full(2, 0.024),
            "from_lack_of_fit_mm": np.full(2, 0.032),
        },
        others={"as_calibrated": {"thickness_mm": np.full(2, 8.0)}},
        about=SimpleNamespace(
            probe=SimpleNamespace(frequency_mhz=5.0),
            nominal_mm_per_us=5.92,
            scan_delay_us=float("nan"),
        ),
    )
    found = second_path.evidence(one)
    np.testing.assert_allclose(found["second_mm"], 8.0 + late_mm, rtol=0.0, atol=1e-12)
    np.testing.assert_allclose(found["second_off"], -late_mm / 0.05, rtol=1e-12, atol=0.0)
    return raised(second_path.judge(one, found), Flag.SECOND_DISAGREES)


def test_a_second_path_of_another_wall() -> None:
    untold = np.full(2, np.nan)
    assert path(both_sides(4.0 * 0.05), untold) == [False, True]
    assert path(-both_sides(4.0 * 0.05), untold) == [False, True]
    # What delays all echoes alike is taken off, up to half a period.
    assert path(np.full(2, 0.5), both_sides(0.1)) == [False, True]
    assert path(np.full(2, 0.5), -both_sides(0.1)) == [False, True]


# Whole records


@pytest.mark.parametrize(
    ("noise", "height", "top", "usual", "most"),
    [
        (2.5, 10.0, 1.0, 0.0, 5.0),
        (1.0, 1000.0, 1.0, 0.0, 45.0),
        (1.0, -1000.0, 0.5, 0.0, 22.5),
        (1.0, 1000.0, 1.0, 0.1, 150.0),
    ],
)
def test_what_a_fit_may_leave(
    noise: float, height: float, top: float, usual: float, most: float
) -> None:
    fit = {"noise": noise, "height": height, "top": top, "usual_left": usual, "left": 0.0}
    one = seen(
        fit={name: np.array([each]) for name, each in fit.items()},
        layout=layout_of(is_dual=False),
    )
    assert abs(float(record_residual.evidence(one)["most"][0]) - most) < 1e-12


def test_a_fit_that_leaves_more_is_of_another_shape() -> None:
    one = np.ones(2)
    fit = {
        "left": both_sides(45.0), "noise": one, "height": 1000.0 * one, "top": one,
        "usual_left": 0.0 * one,
    }  # fmt: skip
    one = seen(fit=fit, layout=layout_of(is_dual=False))
    found = record_residual.evidence(one)
    assert raised(record_residual.judge(one, found), Flag.SHAPE_MISMATCH) == [False, True]
    fit["height"] = np.full(2, np.nan)
    assert np.isnan(record_residual.evidence(one)["most"]).all()


def test_a_fit_with_a_likely_alternative_is_ambiguous() -> None:
    one = np.ones(4)
    odds = np.array([17.0, 15.0, 17.0, 17.0])
    fit = {"height": one, "alternative_odds": odds, "astray": np.array([0.0, 0.0, 0.26, 0.24])}
    found = record_odds.evidence(seen(fit=fit))
    assert raised(record_odds.judge(seen(fit=fit), found), Flag.AMBIGUOUS) == [
        False, True, True, False,
    ]  # fmt: skip


def unexplained(share: FloatArray, where_us: FloatArray, steps: Mapping[str, FloatArray]) -> Any:
    one = np.ones(share.size)
    fit = {
        "other": share, "by_noise": 0.1 * one, "other_us": where_us, "interval_us": 3.0 * one,
        "alternative_us": 5.0 * one,
    }  # fmt: skip
    return seen(fit=fit, gates_with=lambda _: steps, layout=layout_of())


def test_an_echo_that_no_fit_explains() -> None:
    """Beyond the key (0.2) or half as much again as the steps' largest, and noise (0.1)."""
    for steps, limit in (({}, 0.3), ({"wall": np.array([0.1, 0.4])}, 0.7)):
        most = float(keys()["max_before"].default) if not steps else 0.6
        one = unexplained(both_sides(most + 0.1), np.full(2, 4.0), steps)
        found = record_other.evidence(one)
        assert raised(record_other.judge(one, found), Flag.UNEXPECTED_ECHO) == [False, True], limit
        np.testing.assert_allclose(found["unexplained_echo"], both_sides(most + 0.1) - 0.1,
                                   rtol=0.0, atol=1e-12)  # fmt: skip


def test_an_unexplained_echo_ahead_may_be_the_wall() -> None:
    share, where_us = np.array([0.9, 0.9, 0.9, 0.45]), np.array([2.0, 3.5, 6.0, 2.0])
    one = unexplained(share, where_us, {})
    found = record_other.evidence(one)
    assert raised(record_other.judge(one, found), Flag.AMBIGUOUS) == [True, False, False, False]
    assert one.fit["alternative_us"].tolist() == [2.0, 5.0, 5.0, 5.0]
