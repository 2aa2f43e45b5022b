"""Which half-cycle of a gate is the echo peak, on traces whose highest crest is known."""

from __future__ import annotations

import numpy as np
import pytest

from ascan.finding.echo import Choice, find_echoes, highest_of_echo
from ascan.finding.rows import Found, Trace
from ascan.finding.seen import GateSeen
from ascan.kernels.arrays import FloatArray
from ascan.kernels.level import bits_of

PERIOD = 5.0


def trace_of(samples: FloatArray) -> Trace:
    one, none = np.ones(1, np.int64), np.zeros(1, np.int64)
    size = samples.size * one
    counts = np.zeros(1, np.int8)
    return Trace(samples[None], 10 * one, size - 10, none, size, counts, np.full(1, 1e-6))


@pytest.mark.parametrize("counts", [0, 1])
def test_a_pulse_that_goes_on_rising_is_followed_a_period_at_a_time(counts: int) -> None:
    """What is higher within a period of the last top is its pulse's; what comes later is not."""
    for apart, followed in ((6, True), (7, True), (8, False)):
        samples = np.zeros(60)
        samples[[10, 10 + apart, 10 + 2 * apart]] = [1.0, 2.0, 3.0]
        top = highest_of_echo(samples, bits_of(samples), 10, 60, counts, 7)
        assert top == (10 + 2 * apart if followed else 10)
    # Nor what lies beyond the gate.
    samples = np.zeros(60)
    samples[[10, 16]] = [1.0, 2.0]
    assert highest_of_echo(samples, bits_of(samples), 10, 16, counts, 7) == 10


@pytest.mark.parametrize("way", [-1, 1])
@pytest.mark.parametrize("want_first", [False, True])
def test_of_few_samples_a_period_the_highest_crest_may_lie_between_two(
    way: int, want_first: bool
) -> None:
    """The pulse's top is between samples, a lesser half-cycle beside it has one on its crest."""
    at = np.arange(120.0) - 60.5
    # Half a period away, at 63 or 58, stands a sample on the crest.
    lean = 1.0 + 0.002 * way * at
    samples = lean * np.exp(-0.5 * (at / 12.0) ** 2) * np.cos(2.0 * np.pi * at / PERIOD)
    lesser = 60 + 3 if way > 0 else 60 - 2
    assert np.abs(samples).argmax() == lesser
    choice = Choice(int(bits_of(np.array(0.9))), want_first, 8, True)
    found = Found(*(np.zeros(1, kind) for kind in (np.int64, np.int64, np.int8, np.int64)))
    trace = trace_of(samples)
    find_echoes(trace, bits_of(trace.samples), choice, found, np.zeros(1, np.uint32))
    assert found.peak[0] in (60, 61)
    assert found.sign[0] == 1


def test_the_height_of_an_echo_is_that_of_its_peak_on_the_first_sample_too() -> None:
    samples = np.array([[7.0, 1.0, 2.0], [1.0, 2.0, -9.0], [5.0, 6.0, 7.0]])
    size = np.full(3, 3)
    trace = Trace(samples, 0 * size, size, 0 * size, size, np.zeros(3, np.int8), np.full(3, 1e-6))
    seen = GateSeen(
        trace=trace,
        alone=samples,
        origin=np.array([0, 10, 20]),
        peak=np.array([0, 2, -1]),
        position=np.array([0.2, 1.9, np.nan]),
        electronic=np.full(3, 1e-6),
    )
    np.testing.assert_array_equal(seen.top, [7.0, -9.0, np.nan])
    np.testing.assert_array_equal(seen.echo_peak, [0.0, 12.0, np.nan])
