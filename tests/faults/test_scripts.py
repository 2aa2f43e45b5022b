"""What scripts and shells get: JSON of every command that answers, completion, own methods.

And blind trials, whose true values are uncertain, too.
"""

from __future__ import annotations

import argparse
import importlib
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import ascan
from ascan.commands.cli import COMMANDS, main
from ascan.commands.completion import fish_lines
from ascan.examples import PROCEDURE, STEPS_MM, plate_scan
from ascan.study.variances import BlindTrial
from ascan.timing.protocol import METHODS

# These write files, run a shell's set-up, or show pages: they answer nothing that a script reads.
NO_ANSWER = {
    "apply-checks", "calibrate", "completion", "demo", "export", "guide", "import", "job",
    "job-report", "plot", "synth", "warm-up", "calibration-report",
}  # fmt: skip


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("wall.toml").write_text(PROCEDURE)
    how = ascan.Procedure.from_text(PROCEDURE)
    scan = ascan.Scan.from_array(
        plate_scan(np.linspace(6.0, 12.0, 12)).rows.read_block(0, 12),
        sample_rate_mhz=100.0,
        columns={"known_mm": np.linspace(6.0, 12.0, 12), "point": np.array(list("ab") * 6)},
    )
    ascan.save_scan(scan, "s.h5")
    fit = ascan.calibrate(plate_scan(STEPS_MM), how, STEPS_MM, u_known_mm=0.01)
    ascan.save_calibration(fit, "c.h5")
    ascan.measure_to_file(scan, how, fit, "r.h5")
    return tmp_path


def parser() -> argparse.ArgumentParser:
    found = importlib.import_module("ascan.commands.cli").build_parser("", every=True)
    assert isinstance(found, argparse.ArgumentParser)
    return found


def commands() -> dict[str, argparse.ArgumentParser]:
    (one,) = (a for a in parser()._actions if isinstance(a, argparse._SubParsersAction))
    return dict(one.choices)


def test_every_command_that_answers_answers_in_json() -> None:
    for name, each in commands().items():
        has = any("--json" in action.option_strings for action in each._actions)
        assert has != (name in NO_ANSWER), name


@pytest.mark.parametrize(
    ("command", "key", "value"),
    [
        ("info s.h5", "waveforms", 12),
        ("info c.h5", "in_doubt", False),
        ("info r.h5", "kind", "readings"),
        ("budget r.h5 --calibration c.h5", "row", 0),
        (
            "plan --procedure wall.toml --wall-mm 8 --steps-mm 5,10,20 --block-u-mm 0.01",
            "brackets",
            True,
        ),
        ("study r.h5 --known-column known_mm --known-u-mm 0.01", "u_known_mm", 0.01),
        ("compare s.h5 --procedure wall.toml --method peak --known-column known_mm", "rows", 1),
    ],
)
def test_json_holds_what_the_lines_say(
    job: Path, capsys: pytest.CaptureFixture[str], command: str, key: str, value: Any
) -> None:
    assert main([*command.split(), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    first = data[0] if isinstance(data, list) else data
    assert first[key] == value


def test_fish_learns_every_command_and_option() -> None:
    lines = list(fish_lines(parser()))
    for name, each in commands().items():
        assert name in COMMANDS
        assert any(f"-a {name} " in line for line in lines)
        own = [line for line in lines if f"__fish_seen_subcommand_from {name}'" in line]
        long = [o for a in each._actions for o in a.option_strings if o.startswith("--")]
        for option in long:
            assert any(f"-l {option[2:]} " in line for line in own), f"{name} {option}"
    # Quotes are even: every line is one command of the shell.
    assert all((line.count("'") - line.count("\\'")) % 2 == 0 for line in lines)


def test_a_method_from_a_file_in_the_folder_is_compared(
    job: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    Path("my_methods.py").write_text("from ascan.examples import Parabola as Mine\n")
    monkeypatch.setattr(sys, "path", list(sys.path))
    compare = "compare s.h5 --procedure wall.toml --known-column known_mm --method peak --method"
    assert main([*compare.split(), "my_methods:Mine"]) == 0
    assert "my_methods:Mine" in capsys.readouterr().out
    METHODS.pop("my_methods:Mine")
    assert main([*compare.split(), "no_such_module:Mine"]) == 2
    assert "cannot be loaded" in capsys.readouterr().err
    METHODS.pop("no_such_module:Mine")


def test_a_blind_trial_counts_the_true_value_s_own_uncertainty() -> None:
    """U 30 µm and 40 µm together are 50 µm: 45 µm off is 0.9 of them, 55 µm is 1.1."""
    trial = BlindTrial(
        point=("a", "b", "c"),
        known_mm=np.array([8.0, 8.0, 8.0]),
        reading_mm=np.array([8.045, 7.945, np.nan]),
        expanded_mm=np.array([0.03, 0.03, np.nan]),
        u_known_mm=0.02,
    )
    assert trial.e_n[:2] == pytest.approx([0.9, -1.1])
    told = trial.lines()
    assert [line.split()[-1] for line in told[1:3]] == ["yes", "NO"]
    assert "not read" in told[3]
    assert "at most 1 in 50 %" in told[4]
