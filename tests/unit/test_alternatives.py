"""What else a pick may be: odds are even where they should be, and grow with the evidence."""

import numpy as np

from ascan.checks.alternatives import Alternatives, Cause
from ascan.checks.cycle_uncertain import Times, weigh_half_cycle
from ascan.checks.multiple_suspected import USUAL_HEIGHT, odds_against, shares_ahead
from ascan.finding.masked_first import masked_first
from ascan.finding.rows import Learned, Row


def half_cycle_odds(off_periods: float, u_periods: float) -> tuple[float, float]:
    one = np.ones(1)
    odds, late_us = np.empty(1), np.empty(1)
    time_us = (4.0 + off_periods * 0.2) * one
    times = Times(time_us, 4.0 * one, 0.2 * u_periods * one)
    weigh_half_cycle(times, 0.0, 0.2, odds, late_us)
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
    other = Alternatives(3)
    other.weigh(Cause.HALF_CYCLE, np.array([5.0, 9.0, np.nan]), np.array([1.0, 2.0, 3.0]))
    other.weigh(Cause.LATER_ECHO, np.array([7.0, -1.0, np.nan]), np.array([4.0, 5.0, 6.0]))
    assert other.cause.tolist() == [1, 2, 0]
    assert other.interval_us[:2].tolist() == [1.0, 5.0]
    assert np.isnan(other.interval_us[2])
    assert np.isinf(other.odds[2])


def head(first: float, later: float, noise: float, seed: int = 3) -> tuple[float, float, bool]:
    """Return what stands ahead of an echo at sample 500, whose first would be 100 ahead.

    ``first`` and ``later`` are the two echoes' heights; a period is 20 samples.
    """
    place = np.arange(60) - 20.0
    shape = np.exp(-0.5 * (place / 12.0) ** 2) * np.cos(2.0 * np.pi * place / 20.0)
    samples = noise * np.random.default_rng(seed).standard_normal(800)
    for top, height in ((400, first), (500, later)):
        samples[top - 20 : top + 40] += height * shape
    # A second echo comes a third as late again as the first; nothing is converted.
    train = np.array([[300.0, 600.0], [375.0, 750.0], [2000.0, 4000.0]])
    learned = Learned(np.stack([shape, shape]), np.array([2.0, 6.0]), 20)
    row = Row(samples, np.empty(0), train, learned, 0.0, 0.01, 100, 800, 30, 0)
    found = masked_first(row, 500, np.empty(800))
    return float(found[0]), float(found[1]), bool(found[2])


def test_the_head_of_a_first_echo_is_told_in_noise_as_high_as_half_of_it() -> None:
    share, lead, stands_out = head(0.7, 1.0, 0.0)
    assert abs(share - 0.7) < 1e-9
    assert lead == 100.0
    assert stands_out
    found = [head(0.7, 1.0, 0.3, seed) for seed in range(50)]
    assert all(abs(share - 0.7) < 0.5 for share, _, _ in found)
    assert np.mean([share > 0.35 or stands_out for share, _, stands_out in found]) > 0.95
    alone = [head(0.0, 1.0, 0.15, seed) for seed in range(50)]
    assert np.mean([share > 0.35 or stands_out for share, _, stands_out in alone]) < 0.05


def test_where_no_train_is_known_nothing_is_told() -> None:
    learned = Learned(np.ones((1, 60)), np.array([4.0]), 20)
    row = Row(np.ones(800), np.empty(0), np.empty((3, 0)), learned, 0.0, 0.01, 100, 800, 30, 0)
    share, lead, stands_out = masked_first(row, 500, np.empty(800))
    assert np.isnan(share)
    assert np.isnan(lead)
    assert not stands_out
