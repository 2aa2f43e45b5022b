"""What else a pick may be: odds are even where they should be, and grow with the evidence."""

import numpy as np

from ascan import Flag
from ascan.health.earlier_echo import USUAL_HEIGHT, odds_against, shares_ahead
from ascan.health.rivals import Rival, Rivals, flag_rivals
from ascan.health.skipped_cycle import weigh_half_cycle


def half_cycle_odds(off_periods: float, u_periods: float) -> tuple[float, float]:
    one = np.ones(1)
    odds, late_us = np.empty(1), np.empty(1)
    time_us = (4.0 + off_periods * 0.2) * one
    weigh_half_cycle(time_us, 4.0 * one, 0.0, 0.2, 0.2 * u_periods * one, odds, late_us)
    return float(odds[0]), float(late_us[0])


def test_a_quarter_of_a_period_is_as_far_from_either_half_cycle() -> None:
    assert abs(half_cycle_odds(0.25, 0.01)[0]) < 1e-12
    assert half_cycle_odds(0.2, 0.01)[0] > 0.0 > half_cycle_odds(0.3, 0.01)[0]


def test_a_rival_half_cycle_is_half_a_period_away_on_the_side_that_is_seen() -> None:
    assert half_cycle_odds(0.1, 0.01)[1] == 0.1
    assert half_cycle_odds(-0.1, 0.01)[1] == -0.1


def test_noise_takes_certainty_away_never_the_verdict() -> None:
    odds = [half_cycle_odds(0.1, u)[0] for u in (0.002, 0.02, 0.1)]
    assert odds == sorted(odds, reverse=True)
    assert odds[-1] > 0.0


def test_an_echo_as_high_as_a_first_one_ahead_of_the_timed_one_speaks_for_it() -> None:
    height, far = np.full(4, -100.0), np.full(4, 3.0)
    trace = -100.0 * np.array([[0.0], [0.5 * USUAL_HEIGHT], [USUAL_HEIGHT], [-USUAL_HEIGHT]])
    share = np.empty(4)
    shares_ahead(trace, far, 1.0, height, share)
    odds = odds_against(share, USUAL_HEIGHT)
    assert odds[0] == -odds[2] > 10.0
    assert abs(odds[1]) < 1e-12
    # Of the other polarity, it is no echo of this train.
    assert odds[3] == odds[0]
    shares_ahead(trace, np.array([0.5, np.nan, 3.0, 3.0]), 1.0, height, share)
    assert np.isnan(share[:2]).all()


def test_the_likeliest_rival_stands() -> None:
    rivals = Rivals(3)
    rivals.weigh(Rival.HALF_CYCLE, np.array([5.0, 9.0, np.nan]), np.array([1.0, 2.0, 3.0]))
    rivals.weigh(Rival.LATER_ECHO, np.array([7.0, -1.0, np.nan]), np.array([4.0, 5.0, 6.0]))
    assert rivals.cause.tolist() == [1, 2, 0]
    assert rivals.interval_us[:2].tolist() == [1.0, 5.0]
    assert np.isnan(rivals.interval_us[2])
    assert np.isinf(rivals.odds[2])
    flags = np.zeros(3, np.uint32)
    flag_rivals(rivals.odds, 0.0, Flag.EARLIER_ECHO, flags)
    assert flags.tolist() == [0, int(Flag.EARLIER_ECHO), 0]
