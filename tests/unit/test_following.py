"""What commands say comes next: commands that exist, with files that are there."""

from __future__ import annotations

import argparse
import shlex
from pathlib import Path

import numpy as np
import pytest
from builders import burst, scan_of, wall_procedure

from ascan import calibrate, measure_to_file, save_calibration, save_scan
from ascan.base.errors import AscanError
from ascan.commands.cli import COMMANDS, build_parser, main
from ascan.commands.following import FOLLOWING, following
from ascan.commands.warm_up import steps_of
from ascan.path.probe import ARRANGEMENTS
from ascan.waveform.recording import STORED_TYPES

# Prints a script for a shell, and nothing else.
SILENT = {"completion"}


def test_every_command_says_what_follows() -> None:
    assert set(FOLLOWING) == set(COMMANDS) - SILENT
    for lines in FOLLOWING.values():
        for line in lines:
            assert line.split()[0] in COMMANDS


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a folder with a scan, a procedure, a calibration and readings in it."""
    monkeypatch.chdir(tmp_path)
    steps_mm = np.array([8.0, 12.0, 16.0, 20.0])
    waves = 0.6 * burst(np.arange(1000) / 100.0, 2.0 * steps_mm / 5.92)
    procedure = wall_procedure(gate='half_cycles = "positive"')
    fit = calibrate(scan_of(waves), procedure, steps_mm, u_known_mm=0.01)
    Path("a b.toml").write_text(procedure.text)
    save_calibration(fit, "c.h5")
    save_scan(scan_of(waves), "plain.h5")
    places = {"x_mm": np.arange(4.0), "y_mm": np.zeros(4), "point": np.array(list("ABCD"))}
    placed = scan_of(waves, columns=places)
    save_scan(placed, "placed.h5")
    measure_to_file(placed, procedure, fit, "r.h5")
    return tmp_path


def said(command: str, capsys: pytest.CaptureFixture[str]) -> list[str]:
    assert main(shlex.split(command)) == 0
    lines = capsys.readouterr().out.splitlines()
    return [line.removeprefix("next: ") for line in lines if line.startswith("next: ")]


def test_what_follows_can_be_typed(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A name with a blank is quoted; a map only where there are places; nothing when quiet."""
    measured = "measure SCAN --procedure 'a b.toml' --calibration c.h5 -o OUT"
    plain = said(measured.replace("SCAN", "plain.h5").replace("OUT", "p.h5"), capsys)
    assert plain[0].startswith("ascan budget p.h5 --calibration c.h5")
    assert "'a b.toml'" in plain[1]
    placed = said(measured.replace("SCAN", "placed.h5").replace("OUT", "q.h5"), capsys)
    assert [line.split()[1] for line in placed] == ["map", "points"]
    assert said("info plain.h5", capsys)[0] == "ascan plot plain.h5 -o look.png"
    assert [line.split()[1] for line in said("info r.h5", capsys)] == ["map", "points"]
    assert said("info plain.h5 --quiet", capsys) == []
    for line in [*plain, *placed]:
        words = shlex.split(line)[1:]
        build_parser(words[0]).parse_args(words)


def test_what_was_not_given_is_not_said() -> None:
    args = argparse.Namespace(command="check", series=None)
    assert following(args) == []


@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_warm_up_has_steps_of_every_type(arrangement: str) -> None:
    for dtype in STORED_TYPES:
        scan = steps_of(arrangement, dtype)
        assert scan.rows.dtype == np.dtype(dtype)
        block = scan.rows.read_block(0, len(scan)).astype(np.float64)
        assert np.abs(block - scan.recording.zero_code).max() > 0.1 * scan.recording.full_scale


def test_a_type_that_no_sample_has_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["warm-up", "--dtype", "int12"]) == 2
    assert "int12" in capsys.readouterr().err
    with pytest.raises(AscanError):
        build_parser("warm-up").parse_args(["warm-up", "--dtype", "int12"])
