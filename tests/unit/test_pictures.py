"""Pictures of the worst readings: what counts as silent, and that a picture comes of a reading."""

from __future__ import annotations

import importlib
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from ascan import calibrate, measure

BENCHES = Path(__file__).resolve().parents[2] / "benches"


@pytest.fixture
def pictures(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(BENCHES)
    return importlib.import_module("pictures")


@pytest.fixture
def flat_walls(pictures: ModuleType) -> tuple[Any, Any, Any]:
    """Return a trial on flat walls in contact, its calibration, and its readings."""
    trials = importlib.import_module("plane_trials")
    trial = next(iter(trials.of_plane("contact", ("flat",), 3, 6)))
    fit = calibrate(trial.block, trial.procedure, trial.known_mm, u_known_mm=0.003)
    return trial, fit, measure(trial.component, trial.procedure, fit)


def test_silent_is_unmarked_and_wrong_or_hiding(
    pictures: ModuleType, flat_walls: tuple[Any, Any, Any]
) -> None:
    trial, _, readings = flat_walls
    clean = readings.flags == 0
    assert clean.any()
    assert (pictures.silent_mm(trial, readings) == 0.0).all()
    wrong = trial._replace(axis_mm=trial.axis_mm - 1.0, claims_mm=trial.claims_mm - 1.0)
    size = pictures.silent_mm(wrong, readings)
    assert size[clean] == pytest.approx(np.full(clean.sum(), 1.0), abs=0.04)
    assert (size[~clean] == 0.0).all()
    hiding = pictures.silent_mm(trial._replace(least_mm=trial.least_mm - 0.5), readings)
    assert hiding[clean] == pytest.approx(np.full(clean.sum(), 0.5), abs=0.04)


def test_no_picture_where_nothing_is_silent(
    pictures: ModuleType, flat_walls: tuple[Any, Any, Any]
) -> None:
    assert pictures.worst_of(iter([flat_walls[0]])) is None


def test_a_picture_of_a_reading(
    pictures: ModuleType, flat_walls: tuple[Any, Any, Any], tmp_path: Path
) -> None:
    pytest.importorskip("matplotlib")
    trial, fit, readings = flat_walls
    found = pictures.Worst(trial._replace(least_mm=trial.least_mm - 0.5), fit, readings, 2, 0.5)
    pictures.draw("flat", found, tmp_path / "flat.png")
    assert (tmp_path / "flat.png").read_bytes().startswith(b"\x89PNG")
    assert f"axis {trial.axis_mm[2]:.2f}" in pictures.said(found)
