"""The bench on measured waveforms: what it does without them, and that no record teaches itself."""

from __future__ import annotations

import importlib
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

BENCHES = Path(__file__).resolve().parents[2] / "benches"


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(BENCHES)
    return importlib.import_module("measured")


@pytest.fixture
def records(bench: ModuleType) -> ModuleType:
    if not (bench.STEEL.is_file() and bench.ALUMINIUM.is_file()):
        pytest.skip("the measured waveforms are not on this machine (they are not published here)")
    return bench


def test_where_they_are_absent_it_says_so_and_goes_on(
    bench: ModuleType,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
) -> None:
    monkeypatch.setattr(bench, "STEEL", tmp_path / "steel.npz")
    monkeypatch.setattr(bench, "ALUMINIUM", tmp_path / "aluminium.npz")
    bench.main()
    said = capsys.readouterr().out
    assert "steel.npz is not in" in said
    assert "aluminium.npz is not in" in said
    assert list(bench.of_steps(next(iter(bench.WATER_WAYS)), 1, 30)) == []
    assert list(bench.of_elements("echo to echo, peaks", 1, 30)) == []


def test_no_record_of_steel_teaches_itself(records: ModuleType) -> None:
    for name, (_, steps) in records.WATER_WAYS.items():
        halves = list(records.of_steps(name, 1, 30))
        assert len(halves) == 2
        for each in halves:
            taught, read = each.block.columns["scan_row"], each.component.columns["scan_row"]
            assert not set(taught) & set(read)
            assert len(taught) + len(read) == 28
            assert set(each.known_mm) == set(steps)
            assert (each.axis_mm == 15.0).sum() == 3


def test_no_element_teaches_itself(records: ModuleType) -> None:
    halves = list(records.of_elements("echo to echo, peaks", 1, 30))
    for each in halves:
        taught, read = each.block.columns["scan_row"], each.component.columns["scan_row"]
        assert not set(taught) & set(read)
        assert (len(taught), len(read)) == (22, 22)
        assert np.max(each.component.columns["x_mm"]) < records.NOTCH_MM


def test_clipping_is_declared_as_the_digitisers_have_it(records: ModuleType) -> None:
    for path, full in ((records.STEEL, 512.0), (records.ALUMINIUM, 128.0)):
        recording = records.scan_in(path, full).recording
        assert (recording.clip_low, recording.clip_high) == (-full, full - 1.0)
