"""Records cut at another length than they have are noticed; sound ones never are."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ascan import Scan
from ascan.examples import plate_scan
from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.waveform.record_length import length_in_sight

SAMPLES = 1000


def records(walls_mm: FloatArray, seed: int = 1) -> AnyArray:
    clean = plate_scan(walls_mm).rows.read_block(0, walls_mm.size)
    noise = np.random.default_rng(seed).normal(0.0, 0.01, clean.shape)
    return np.asarray(np.rint(30000 * (clean + noise) / 1.2).astype(np.int16))


def cut(codes: AnyArray, samples: int) -> Scan:
    flat = codes.ravel()
    rows = flat[: flat.size // samples * samples].reshape(-1, samples)
    return Scan.from_array(rows, sample_rate_mhz=100.0, full_scale=32768)


@pytest.mark.parametrize("stated", [500, 750, 2000, 3000, 4000])
def test_another_length_is_told(stated: int) -> None:
    """Plates of about one wall: two thirds, half, two, three and four records for one."""
    walls_mm = np.random.default_rng(2).uniform(7.95, 8.05, 40)
    assert length_in_sight(cut(records(walls_mm), stated)) == SAMPLES


@settings(max_examples=30, deadline=None)
@given(
    walls=st.lists(st.floats(3.0, 15.0), min_size=1, max_size=30),
    alike=st.booleans(),
    seed=st.integers(0, 99),
)
def test_the_right_length_is_never_questioned(walls: list[float], alike: bool, seed: int) -> None:
    walls_mm = np.sort(walls) if alike else np.array(walls)
    assert length_in_sight(cut(records(walls_mm, seed), SAMPLES)) is None


def test_nothing_is_said_of_silence_or_of_noise() -> None:
    assert length_in_sight(cut(np.zeros((20, SAMPLES), np.int16), 500)) is None
    noise = np.random.default_rng(3).integers(-900, 900, (20, SAMPLES)).astype(np.int16)
    assert length_in_sight(cut(noise, 500)) is None
