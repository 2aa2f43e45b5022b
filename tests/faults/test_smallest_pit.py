"""The command on small grids: it finds what is large, misses what is small, and says so."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ascan.commands.cli import main

TEXT = """
title = "line"
probe = { arrangement = "delay_line", frequency_mhz = 5.0, delay_us = 0.35 }
filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }
interval = { mode = "interface_to_echo", gates = ["front", "wall"] }
[[gate]]
name = "front"
start_us = 8.0
stop_us = 11.0
threshold = 0.02
half_cycles = "positive"
[[gate]]
name = "wall"
follows = "front"
start_mm = 1.5
stop_mm = 16.0
threshold = 0.01
echo = "largest"
half_cycles = "negative"
"""
WORDS = "smallest-pit --procedure p.toml --wall-mm 8 --beam-mm 4 --pitch-mm 2 --depths-mm 3"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("p.toml").write_text(TEXT)
    return tmp_path


def test_large_pits_are_found_and_small_ones_are_not(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = [*WORDS.split(), "--trials", "29", "--diameters-mm", "0.3,8", "--json"]
    assert main(words) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["procedure"] == TEXT
    assert data["told"][0].startswith("simulated signals")
    flat = data["found"]["flat-bottomed, 3 mm deep"]
    assert flat["hits"][0] <= 3
    assert flat["hits"][1] == 29
    assert flat["size_90_95_mm"] == 8.0
    assert 0.0 <= data["false_calls"] < 0.5
    # With fewer trials no such size is claimed.
    assert main([*WORDS.split(), "--trials", "9", "--diameters-mm", "0.3,8"]) == 0
    told = capsys.readouterr().out
    assert "NOT REACHED" in told
    assert "the confidence is that of the simulation alone" in told


def test_wrong_sizes_and_a_dual_probe_are_refused(folder: Path) -> None:
    assert main([*WORDS.replace("--depths-mm 3", "--depths-mm 9").split()]) == 2
    assert main([*WORDS.split(), "--diameters-mm", "big"]) == 2
    dual = TEXT.replace('"delay_line"', '"dual"').replace(
        '"interface_to_echo"', '"time_zero_to_echo"'
    )
    dual = dual.replace('["front", "wall"]', '["wall"]').replace('follows = "front"\n', "")
    Path("p.toml").write_text(dual)
    assert main(WORDS.split()) == 2
