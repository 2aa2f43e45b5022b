"""Crests that are cut at a level nobody declared are told, and no others."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ascan import Scan
from ascan.waveform.flat_tops import flat_tops

TIME_US = np.arange(1000) / 100.0


def records(rng: np.random.Generator, noise: float = 0.003, count: int = 12) -> np.ndarray:
    """Return echoes of 5 MHz with a height of 1, in noise."""
    place_us = rng.uniform(2.0, 8.0, count)[:, None]
    carrier = np.cos(2.0 * np.pi * 5.0 * (TIME_US - place_us))
    echo = np.exp(-(((TIME_US - place_us) / 0.2) ** 2)) * carrier
    return np.asarray(echo + noise * rng.standard_normal((count, TIME_US.size)))


@pytest.mark.parametrize(("low", "high"), [(-0.6, 0.5), (-math.inf, 0.7), (-0.4, math.inf)])
@pytest.mark.parametrize("step", [1.0 / 128.0, 1.0 / 4096.0])
def test_an_undeclared_level_is_found(low: float, high: float, step: float) -> None:
    cut = np.clip(records(np.random.default_rng(1)), low, high)
    codes = (np.rint(cut / step) * step).astype(np.float32)
    found = flat_tops(Scan.from_array(codes, sample_rate_mhz=100.0))
    for level, told in ((low, found.low), (high, found.high)):
        assert told == pytest.approx(level, abs=step) if math.isfinite(level) else told == level
    assert len(found.lines()) == math.isfinite(low) + math.isfinite(high)


def test_a_declared_level_is_no_news() -> None:
    codes = np.clip(np.rint(200.0 * records(np.random.default_rng(2))), -100, 100).astype(np.int16)
    how = {"sample_rate_mhz": 100.0, "full_scale": 128}
    assert flat_tops(Scan.from_array(codes, **how, clip_low=-100, clip_high=100)).lines() == []
    assert len(flat_tops(Scan.from_array(codes, **how)).lines()) == 2


def test_a_level_that_records_pass_is_told() -> None:
    codes = np.rint(200.0 * records(np.random.default_rng(3))).astype(np.int16)
    how = {"sample_rate_mhz": 100.0, "full_scale": 256}
    (line,) = flat_tops(Scan.from_array(codes, **how, clip_low=-256, clip_high=100)).lines()
    assert f"code {codes.max()}" in line


@settings(deadline=None, max_examples=60)
@given(
    seed=st.integers(0, 10_000),
    bits=st.integers(5, 14),
    noise=st.sampled_from([0.0, 0.002, 0.03]),
    height=st.floats(0.1, 0.99),
)
def test_crests_that_nothing_cut_are_not_told(
    seed: int, bits: int, noise: float, height: float
) -> None:
    """However coarse the codes: a rounded crest stands still for a while, too."""
    full = 2.0 ** (bits - 1)
    echoes = height * records(np.random.default_rng(seed), noise)
    codes = np.clip(np.rint(full * echoes), -full, full - 1.0).astype(np.int16)
    how = {"sample_rate_mhz": 100.0, "full_scale": full}
    assert flat_tops(Scan.from_array(codes, **how)).lines() == []
    assert (
        flat_tops(Scan.from_array((codes / full).astype(np.float32), sample_rate_mhz=100.0)).lines()
        == []
    )


def test_records_without_a_signal_or_with_nan() -> None:
    nothing = np.zeros((3, 500), np.float32)
    assert flat_tops(Scan.from_array(nothing, sample_rate_mhz=100.0)).lines() == []
    nothing[1, 3] = np.nan
    assert flat_tops(Scan.from_array(nothing, sample_rate_mhz=100.0)).lines() == []
