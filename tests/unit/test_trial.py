"""Records of another physics as trials: codes, times, rails, columns and truth stay as they are."""

from __future__ import annotations

import importlib
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from ascan import Procedure
from ascan.examples import PROCEDURE

BENCHES = Path(__file__).resolve().parents[2] / "benches"


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> dict[str, ModuleType]:
    monkeypatch.syspath_prepend(BENCHES)
    return {
        name: importlib.import_module(name)
        for name in ("trial", "physics.records", "ascan.survey.wrong")
    }


def records(bench: dict[str, ModuleType], rows: int, **more: Any) -> Any:
    wall = np.linspace(5.0, 9.0, rows)
    made = bench["physics.records"]
    return made.Records(
        codes=np.arange(rows * 40, dtype=np.int16).reshape(rows, 40),
        sample_rate_mhz=50.0,
        bits=12,
        start_us=np.linspace(1.0, 2.0, rows),
        axis_mm=wall,
        mean_mm=wall - 0.1,
        least_mm=wall - 0.5,
        **more,
    )


def test_a_scan_of_records(bench: dict[str, ModuleType]) -> None:
    places = np.array([1.0, 2.0, 3.0])
    given = records(bench, 3, x_mm=places, columns={"gain_db": np.full(3, 40.0)})
    scan = bench["trial"].scan_of_records(given)
    assert np.array_equal(scan.rows.read_block(0, 3), given.codes)
    assert np.array_equal(scan.start_time_us, given.start_us)
    assert scan.recording.sample_rate_mhz == 50.0
    assert (scan.recording.full_scale, scan.recording.clip_low) == (2048.0, -2048.0)
    assert scan.recording.clip_high == 2047.0
    assert np.array_equal(scan.columns["x_mm"], places)
    assert "y_mm" not in scan.columns, "none was given"
    assert np.array_equal(scan.columns["gain_db"], np.full(3, 40.0))


def test_the_grids_doubt_widens_the_claim_and_hides_nothing(bench: dict[str, ModuleType]) -> None:
    block, component = records(bench, 2), records(bench, 3, truth_u_mm=0.02)
    procedure = Procedure.from_text(PROCEDURE)
    trial = bench["trial"].of_records("plane", procedure, block, component, "pit")
    assert np.array_equal(trial.known_mm, block.mean_mm)
    assert np.array_equal(trial.least_mm, component.least_mm)
    assert np.allclose(trial.truth.claims[0], component.least_mm - 0.02, rtol=0.0, atol=1e-12)
    assert np.allclose(trial.truth.claims[1], component.mean_mm + 0.02, rtol=0.0, atol=1e-12)
    assert trial[:2] == ("plane", procedure)
    assert (trial.what, trial.echo_db) == ("pit", None)
