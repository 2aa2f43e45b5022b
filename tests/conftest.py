"""Measured waveforms where they are; a skip that says so where they are not."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

# Small systems, several test processes: threads of linear algebra would wait for each other.
os.environ.setdefault("OMP_NUM_THREADS", "1")

REAL = (
    Path(__file__).resolve().parents[2] / "shared" / "real" / "step_block_steel_immersion_5mhz.npz"
)


@pytest.fixture(scope="session")
def measured_block() -> Path:
    """Path of the measured step block, or a skip that says so."""
    if not REAL.is_file():
        pytest.skip("the measured waveforms are not on this machine (they are not published here)")
    return REAL
