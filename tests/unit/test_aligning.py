"""Interface echoes are aligned by what they have in common, whatever half-cycle was picked."""

from __future__ import annotations

import numpy as np
import pytest

from ascan.kernels.arrays import FloatArray
from ascan.learning.windows import aligned
from ascan.whole_record.pulse import PulseBasis
from ascan.whole_record.step_records import StepRecords

RATE_MHZ, FREQUENCY_MHZ = 100.0, 5.0
PERIOD = RATE_MHZ / FREQUENCY_MHZ
RAIL = 1.0


def echo(at: FloatArray) -> FloatArray:
    """Return an echo that opens sharply and rings on, as probes do."""
    us = at / RATE_MHZ
    rise = np.clip(us + 0.25, 0.0, None)
    return rise**2 * np.exp(-rise / 0.09) * np.sin(2.0 * np.pi * FREQUENCY_MHZ * us) * 130.0


@pytest.mark.parametrize("loudest", [0.8, 8.0])
def test_picks_off_by_half_cycles_come_back_to_one_part_of_the_pulse(loudest: float) -> None:
    rng = np.random.default_rng(3)
    count, width = 24, 400
    place = 120.0 + rng.uniform(-10.0, 10.0, count)
    size = rng.permutation(np.geomspace(0.3, loudest, count))
    samples = size[:, None] * echo(np.arange(width) - place[:, None])
    samples += 0.004 * rng.standard_normal(samples.shape)
    clipped = np.abs(samples) >= RAIL
    records = StepRecords(
        samples=np.clip(samples, -RAIL, RAIL),
        weight=np.where(clipped, 0.0, 1.0),
        known_mm=np.full(count, 10.0),
        step=np.zeros(count, np.int64),
        u_step_mm=np.full(1, 0.01),
        usual=place,
    )
    assert clipped.any() == (loudest > 1.0)
    picked = place + rng.integers(-2, 3, count) * PERIOD / 2.0
    found = aligned(records, picked, PulseBasis(RATE_MHZ, FREQUENCY_MHZ, 0.6))
    off = found - place
    assert np.abs(off - np.median(off)).max() < 0.1 * PERIOD
