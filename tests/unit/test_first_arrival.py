"""The first arrival of a dual probe: constructed traces whose first echo is known."""

from __future__ import annotations

import numpy as np
import pytest

from ascan.base.flags import Flag
from ascan.finding.arrival import foretelling
from ascan.finding.arrival_match import match_shapes, next_top
from ascan.finding.first_arrival import ArrivalGuide, Sought, find_first_arrivals
from ascan.finding.masked_first import Due, size_of
from ascan.finding.rows import Found, Learned, Masked, Row, Trace
from ascan.kernels.arrays import FloatArray

PERIOD, ZERO, SIZE, REACH = 20.0, 10, 60, 30
NO_TRAIN = np.empty((3, 0))


def shape(period: float = PERIOD) -> FloatArray:
    """Return a first arrival whose opening top is at sample ZERO; it grows for two periods."""
    at = np.arange(SIZE) - float(ZERO)
    return np.exp(-0.5 * ((at - 10.0) / 14.0) ** 2) * np.cos(2.0 * np.pi * at / period)


def row_of(samples: FloatArray, train: FloatArray = NO_TRAIN) -> Row:
    learned = Learned(shape()[None], np.array([4.0]), ZERO)
    return Row(samples, np.empty(0), train, learned, 0.0, 0.01, 100, 800, REACH, 1)


# Half-cycles


def test_the_top_of_the_half_cycle_beside_is_its_largest_sample() -> None:
    samples = np.array([-5.0, -1.0, 2.0, 4.0, 1.0, -1.0, -3.0, -2.0])
    assert next_top(samples, 3, 1, samples.size) == 6
    # The very first sample of a record counts as any other does.
    assert next_top(samples, 3, -1, samples.size) == 0


@pytest.mark.parametrize("step", [-1, 1])
def test_no_half_cycle_lies_beyond_the_record(step: int) -> None:
    samples = np.array([1.0, 2.0, 4.0, 2.0, 1.0])
    assert next_top(samples, 2, step, samples.size) == -1


# Learned shapes


def test_a_shape_that_is_not_whole_in_the_record_has_no_size_there() -> None:
    """What lies in memory beyond the record is no part of it: here it is made an echo, too."""
    own = np.arange(1.0, 9.0)
    wide = np.tile(np.r_[own, own], 4)
    record = wide[16:48]
    due = Due(own, 2, own.size)
    assert size_of(record, 2 + 8, due) == 1.0
    assert size_of(record, record.size - 8 + 2, due) == 1.0
    for top in (1, record.size - 8 + 3, record.size - 1):
        assert size_of(record, top, due) == 0.0


def is_sure(left: float, noise: float) -> bool:
    """Tell whether an echo is surely the learned one, of which this share of its energy is left.

    What is left is of another frequency, at right angles to the shape.
    """
    own, other = shape(), shape(0.4 * PERIOD)
    other -= own * (own @ other) / (own @ own)
    other *= np.sqrt(left * (own @ own) / (other @ other))
    samples = np.zeros(900)
    samples[400 - ZERO : 400 - ZERO + SIZE] = 100.0 * (own + other)
    top, _, sure = match_shapes(row_of(samples), (395, 400), (20.0, 5.0), noise)
    assert top == 400
    return bool(sure)


def test_an_echo_that_a_shape_leaves_too_much_of_is_not_surely_it() -> None:
    """Beyond 0.3 of its energy (a little more, of few samples a period), noise must explain it."""
    assert is_sure(0.2, 1e-3)
    assert not is_sure(0.38, 1e-3)
    assert is_sure(0.38, 8.0)


def test_one_learned_shape_is_enough_to_doubt_an_echo_unlike_it() -> None:
    guide = ArrivalGuide(shapes=shape()[None], arrival_us=np.array([4.0]), zero_index=ZERO)
    for period, unsure in ((PERIOD, False), (0.45 * PERIOD, True)):
        samples = np.zeros((1, 900))
        samples[0, 400 - ZERO : 400 - ZERO + SIZE] = 100.0 * shape(period)
        one, none = np.ones(1, np.int64), np.zeros(1, np.int64)
        trace = Trace(
            samples, 100 * one, 800 * one, none, 900 * one, np.ones(1, np.int8), np.full(1, 1e-3)
        )
        sought = Sought(np.full(1, 1.0), np.zeros(1), 0.01, REACH, 0)
        found = Found(none.copy(), none.copy(), np.zeros(1, np.int8), none.copy())
        flags = np.zeros(1, np.uint32)
        masked = Masked(np.empty(1), np.empty(1))
        find_first_arrivals(trace, sought, guide.arrays(), found, masked, flags)
        assert not flags[0] & np.uint32(Flag.NO_ECHO)
        assert bool(flags[0] & np.uint32(Flag.CYCLE_UNCERTAIN)) == unsure


# What stands ahead


@pytest.mark.parametrize(
    ("ahead", "told"), [(150, True), (200, True), (170, False), (250, False), (None, False)]
)
def test_an_echo_is_foretold_by_what_stands_where_its_first_would(
    ahead: int | None, told: bool
) -> None:
    """Second echoes come at twice their first's sample, converted ones at one and a half of it."""
    first = np.array([100.0, 400.0])
    samples = np.zeros(900)
    samples[300] = 50.0
    if ahead is not None:
        samples[ahead] = 10.0
    row = row_of(samples, np.stack([first, 2.0 * first, 1.5 * first]))._replace(reach=10)
    assert foretelling(row, 300, 5.0) == (ahead if told else 300)
