"""The Akaike criterion against published values.

Maeda 1985, Zisin 38(3), 365-379. The numbers are those that obspy 1.5.1's ``aic_simple`` gives for
the same input (worked independently for this project): its output index i is the split k = i + 1.
"""

from __future__ import annotations

import numpy as np
import pytest

from ascan.timing.onset import criterion


def aic(samples: np.ndarray) -> np.ndarray:
    room = np.empty(samples.size)
    count = criterion(samples, 0, samples.size, 0.0, room)
    return room[:count]


def test_values_on_a_seeded_record() -> None:
    """NumPy's legacy generator, seed 0, 100 uniform numbers; indices 0, 1, 49, 97 and 98.

    The last split leaves one sample, whose variance is 0 and whose weight is 0.
    """
    np.random.seed(0)  # noqa: NPY002
    values = aic(np.random.rand(100))  # noqa: NPY002
    found = values[[1, 49, 97]]
    assert found == pytest.approx([-250.04232032, -251.69427136, -247.73552167], abs=1e-7)


def test_against_a_seismologists_library() -> None:
    """Every inner split of a noisy burst, against ``obspy.signal.trigger.aic_simple``."""
    trigger = pytest.importorskip("obspy.signal.trigger", reason="obspy is not installed")
    rng = np.random.default_rng(11)
    time_us = np.arange(400) / 100.0
    burst = np.where(time_us > 2.0, np.sin(31.4 * time_us) * np.exp(-(time_us - 2.0)), 0.0)
    record = burst + rng.normal(0.0, 0.02, 400)
    theirs = np.asarray(trigger.aic_simple(record))[: aic(record).size]
    assert aic(record)[1:-1] == pytest.approx(theirs[1:-1], rel=1e-9)


def test_a_step_in_noise() -> None:
    """Noise of 0.1 that becomes 1.0 at sample 300: the least is at a split of 300."""
    rng = np.random.default_rng(7)
    record = np.concatenate([rng.normal(0.0, 0.1, 300), rng.normal(0.0, 1.0, 300)])
    split = int(np.argmin(aic(record)[1:-1])) + 2
    assert abs(split - 300) <= 1
