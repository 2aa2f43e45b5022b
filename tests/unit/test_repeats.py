"""The second trip of a path: made from the first, learned, and told by gain and beginning."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from ascan.kernels.arrays import FloatArray
from ascan.whole_record.repeats import filter_of, first_trip, laid, second_trip, told_by, twice
from ascan.whole_record.stage import RecordStage

RATE_MHZ, TAPS, SAMPLES, BEGIN, SECOND = 100.0, 81, 1100, 250, 640
EMITTED = -60.3


def pulse(at: float) -> FloatArray:
    """Return a pulse of 5 MHz at a sample."""
    after = (np.arange(SAMPLES) - at) / RATE_MHZ
    return np.asarray(np.exp(-0.5 * (after / 0.12) ** 2) * np.cos(2.0 * np.pi * 5.0 * after))


def record(path: float, spacing: float, wall: float, left: float = 0.0) -> FloatArray:
    """Return two trips of a path by following each echo: surface 0.8, back-wall echoes, face 0.5.

    ``path`` and ``spacing`` are in samples, ``left`` is by how much later the pulse left.
    """
    out, start = np.zeros(SAMPLES), EMITTED + left
    once = {0: 0.8} | {n: wall * 0.7 ** (n - 1) for n in range(1, 12)}
    for n, height in once.items():
        out += height * pulse(start + path + n * spacing)
        for m, other in once.items():
            out += 0.5 * height * other * pulse(start + 2.0 * path + (n + m) * spacing)
    return out


def heard(made: FloatArray) -> FloatArray:
    first = first_trip(made, 0.0, (-9.0, 9.0), BEGIN, SECOND)
    assert first is not None
    return first


def test_one_filter_makes_every_second_trip() -> None:
    # Learned from two walls, it makes what a third one sends back.
    systems = []
    for spacing in (90.0, 137.0):
        made = record(360.0, spacing, 0.3)
        again = twice(heard(made), EMITTED, SAMPLES)
        later = [0.3 * 0.7 ** (n - 1) * pulse(EMITTED + 360.0 + n * spacing) for n in range(1, 12)]
        own = np.sum(later, axis=0)[None, SECOND : SECOND + 300]
        samples = made[SECOND : SECOND + 300]
        systems.append((samples, laid(again, TAPS, SECOND, SECOND + 300), own))
    found, left = filter_of(systems)
    assert left.max() < 2e-3
    spacing, path = 111.0, 361.7
    made = record(path, spacing, 0.25)
    later = [0.25 * 0.7 ** (n - 1) * pulse(EMITTED + path + n * spacing) for n in range(1, 12)]
    own = np.sum(later, axis=0)[SECOND : SECOND + 300]
    second = second_trip(heard(made), found, EMITTED, SECOND, SECOND + 300)
    assert np.abs(made[SECOND : SECOND + 300] - own).max() > 0.2
    np.testing.assert_allclose(second, made[SECOND : SECOND + 300] - own, rtol=0.0, atol=6e-3)


@pytest.mark.parametrize(("gain", "left"), [(1.0, 0.0), (0.8, 0.4), (1.3, -0.6)])
def test_gain_and_beginning_are_told_by_the_second_trip(gain: float, left: float) -> None:
    # The filter here is learned where nothing else is heard.
    clean = record(360.0, 2000.0, 0.0)
    again = twice(heard(clean), EMITTED, SAMPLES)
    region = slice(SECOND, SECOND + 300)
    none = np.zeros((1, 300))
    found, _ = filter_of([(clean[region], laid(again, TAPS, region.start, region.stop), none)])
    made = gain * record(360.0, 2000.0, 0.0, left)
    second = second_trip(heard(made), found, EMITTED, region.start, region.stop)
    size, late = told_by(made[region], second, none)
    assert size == pytest.approx(1.0 / gain, rel=0.02)
    assert late == pytest.approx(left, abs=0.06)


def test_what_is_left_of_noise_is_the_noise() -> None:
    """Over the degrees of freedom, that is: what else the record holds takes 60 of 100 samples."""
    rng, noise = np.random.default_rng(5), 0.3
    systems = [
        (noise * rng.normal(size=100), rng.normal(size=(100, 3)), rng.normal(size=(60, 100)))
        for _ in range(400)
    ]
    _, left = filter_of(systems)
    # Root mean square of 40 values, 400 times: known to half a percent.
    assert np.sqrt(np.mean(left**2)) == pytest.approx(noise, rel=0.02)


def test_a_first_trip_that_clips_tells_nothing() -> None:
    assert first_trip(record(360.0, 90.0, 0.3), 0.0, (-0.5, 0.5), BEGIN, SECOND) is None


def test_one_degree_of_freedom_is_one() -> None:
    """Four columns of five samples leave one: all that the filter cannot explain is its own."""
    one = (np.array([3.0, -1.0, 4.0, 2.0, -7.0]), np.zeros((5, 1)), np.eye(4, 5))
    other = (np.ones(9), np.ones((9, 1)), np.zeros((0, 9)))
    _, left = filter_of([one, other])
    assert left[0] == pytest.approx(7.0, rel=1e-12)


@pytest.mark.parametrize("start_us", [0.0, 3.0])
@pytest.mark.parametrize("trips", [1.0, 2.0])
def test_a_repeat_is_there_where_the_record_lasts_until_it_begins(
    start_us: float, trips: float
) -> None:
    """Sound left at 0.4 µs and came at 10 µs: it comes again 9.6 µs later, its pulse 0.5 ahead."""
    stage: Any = SimpleNamespace(
        delay_us=0.4,
        model=SimpleNamespace(zero_index=50),
        recording=SimpleNamespace(sample_rate_mhz=RATE_MHZ),
    )
    begins_us = 10.0 + trips * 9.6 - 0.5
    for more, there in ((-3, False), (3, True)):
        samples = round((begins_us - start_us) * RATE_MHZ) + more
        given: Any = SimpleNamespace(
            start_time_us=np.array([start_us]), block=np.zeros((1, samples), np.int16)
        )
        later = RecordStage.repeat_us(stage, given, np.array([10.0]), trips)
        expected = begins_us - 10.0 if there else np.inf
        assert later[0] == pytest.approx(expected, rel=1e-12)
