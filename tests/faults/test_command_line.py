"""The command line as a user meets it: the whole job, and every wrong input in one sentence."""

from __future__ import annotations

import dataclasses
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from ascan import Procedure
from ascan.commands.cli import COMMANDS, main
from ascan.examples import PROCEDURE, plate_scan
from ascan.store.scans import save_scan


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a folder with a step block, a component and a procedure, and work in it."""
    monkeypatch.chdir(tmp_path)
    known = np.repeat([5.0, 10.0, 20.0], 2)
    for name, thickness in (("block", known), ("component", np.linspace(6.0, 18.0, 60))):
        scan = plate_scan(thickness)
        waveforms = scan.rows.read_block(0, len(scan))
        np.savez(
            f"{name}.npz",
            waveforms=waveforms,
            sample_rate_mhz=100.0,
            full_scale=1.0,
            known_mm=thickness,
        )
    Path("wall.toml").write_text(PROCEDURE)
    return tmp_path


CALIBRATE = "calibrate block.npz --procedure wall.toml --step 5=0-1 --step 10=2,3 --step 20=4-5"
MEASURE = "measure component.npz --procedure wall.toml --calibration c.h5"


def ok(command: str) -> None:
    assert main(command.split()) == 0


COMPARE = "compare component.npz --procedure wall.toml --method peak"
SCENARIO = """
[probe]
arrangement = "contact"
[wall]
uniform_mm = [5.0, 12.0]
count = 40
[receiver]
gain = 2.0
"""


def test_methods_side_by_side(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("plates.toml").write_text(SCENARIO)
    methods = "--method peak --method first_crossing:peak_fraction=0.5"
    outputs = "--csv t.csv --picture t.png"
    ok(f"compare plates.toml --procedure wall.toml {methods} --snr-db 30 {outputs}")
    said = capsys.readouterr().out
    assert "over bound" in said
    assert "no grain, roughness" in said
    head, *rows = Path("t.csv").read_text().splitlines()
    assert head.startswith("method,snr_db,rows,")
    assert [row.split(",")[0] for row in rows] == ["peak", "first_crossing:peak_fraction=0.5"]
    assert Path("t.png").read_bytes().startswith(b"\x89PNG")
    ok("compare block.npz --procedure wall.toml --method peak --step 5=0-1 --step 20=4-5")
    assert "clean readings" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("command", "told"),
    [
        (COMPARE, "a scan with --step"),
        (f"{COMPARE}k --known-column known_mm", "unknown timing method 'peakk'"),
        (f"{COMPARE} --known-column known_mm --picture t.png", "is drawn of a scenario only"),
        ("compare clean_plate --procedure wall.toml --method peak --snr-db x", "-20 to 120 dB"),
        ("compare clean_plate --procedure wall.toml --method peak:level", "NAME:KEY=VALUE"),
        ("compare clean_plate --procedure wall.toml --method peak", "are flagged without any"),
    ],
)
def test_comparisons_that_cannot_be_made(
    job: Path, capsys: pytest.CaptureFixture[str], command: str, told: str
) -> None:
    assert main(command.split()) == 2
    assert told in capsys.readouterr().err


def test_the_whole_job(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ok("info block.npz")
    ok(f"{CALIBRATE} --block-u-mm 0.01 -o c.h5")
    ok(f"{MEASURE} -o r.h5 --csv r.csv")
    ok("info c.h5")
    ok("info r.h5")
    ok("export r.h5 -o r2.csv")
    ok("export component.npz -o component.h5")
    ok(f"{MEASURE.replace('.npz', '.h5')} -o r3.h5 --rows 3,10-12")
    ok("plot component.h5 --procedure wall.toml --row 3 -o times.png")
    ok("plot component.h5 --procedure wall.toml --calibration c.h5 --row 3 -o wall.png")
    said = capsys.readouterr().out
    assert "60 waveforms: 60 usable, 0 usable with care, 0 not usable" in said
    assert "Caution" in said
    assert Path("r.csv").read_text() == Path("r2.csv").read_text()
    assert Path("wall.png").read_bytes().startswith(b"\x89PNG")
    ok("calibrate block.npz --procedure wall.toml --known-column known_mm -o c2.h5")


def test_a_budget_names_rows_as_the_scan_does(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ok(f"{CALIBRATE} --block-u-mm 0.01 -o c.h5 --quiet")
    ok(f"{MEASURE} -o r.h5 --rows 40-50,3 --quiet")
    budget = "budget r.h5 --calibration c.h5"
    capsys.readouterr()
    ok(budget)
    assert "row 3: 6.6" in capsys.readouterr().out
    ok(f"{budget} --rows 40")
    assert "row 40: 14.1" in capsys.readouterr().out
    assert main(f"{budget} --rows 5".split()) == 2
    assert "names row 5, which was not measured" in capsys.readouterr().err


def test_two_surveys_by_two_procedures_are_told(
    job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scan = plate_scan(np.linspace(8.0, 9.0, 6))
    place = {"x_mm": np.arange(6.0), "y_mm": np.zeros(6)}
    save_scan(dataclasses.replace(scan, columns=place), "plate.h5")
    warm = "\n[temperature]\nblock_c = 20\ncomponent_c = 40\nu_block_c = 1\nu_component_c = 1\n"
    Path("warm.toml").write_text(PROCEDURE + warm)
    ok(f"{CALIBRATE} --block-u-mm 0.01 -o c.h5 --quiet")
    measure = "measure plate.h5 --calibration c.h5 --quiet --procedure"
    ok(f"{measure} wall.toml -o before.h5")
    ok(f"{measure} warm.toml -o now.h5")
    capsys.readouterr()
    ok("change before.h5 now.h5 --years 1")
    assert "THE PROCEDURES DIFFER in temperature" in capsys.readouterr().out
    ok("change before.h5 before.h5 --years 1")
    assert "DIFFER" not in capsys.readouterr().out


def test_the_engine_against_known_signals(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ok("verify -o sheet.html")
    said = capsys.readouterr().out
    assert said.count(" within") == 8
    assert "BEYOND" not in said
    assert "digest of this sheet" in Path("sheet.html").read_text()


def test_demo(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ok("demo --folder out")
    said = capsys.readouterr().out
    assert "2400 waveforms" in said
    assert "against the truth" in said
    made = {path.name for path in Path("out").iterdir()}
    wanted = "block.h5 component.h5 calibration.h5 readings.h5 readings.csv thinnest.png"
    wanted += " draft.png surface.png"
    assert made == {".ascan-demo", "procedure.toml", *wanted.split()}
    drafted = Procedure.from_text(Path("out/procedure.toml").read_text())
    assert drafted.interval.mode in ("whole_record", "interface_to_echo")
    clean = said.split("readings without a flag: ")[1].split(" % ")[0]
    assert float(clean) > 99.0


WRONG = {
    "": "see ascan --help",
    "meausre x": "did you mean 'measure'",
    "info wall.toml --qiet": "did you mean '--quiet'",
    "calibrate block.npz --proc wall.toml --step 5=0 -o c9.h5": "is no option here",
    "compare clean_plate --procedure wall.toml --method peak --seed -3": "allowed: 0 or above",
    "compare pitted_raster --procedure wall.toml --method peak": "arrangement 'delay_line'",
    "plot component.npz --procedure wall.toml -o p9.jpg": "allowed: .png",
    "calibration-report c.h5 --procedure wall.toml -o s9.pdf": "allowed: .html",
    "synth step_blok -o s9.h5": "did you mean 'step_block'",
    "info nothing.npz": "nothing.npz: is no file",
    "info wall.toml": "neither a .npz nor an HDF5 file",
    "calibrate block.npz --procedure wall.toml -o c9.h5": "needs to know the steps",
    "calibrate block.npz --procedure nothing.toml --step 5=0 -o c9.h5": "cannot be read",
    "calibrate block.npz --procedure block.npz --step 5=0 -o c9.h5": "not a text file",
    "calibrate block.npz --procedure wall.toml --step 5 -o c9.h5": "MM=ROWS",
    "calibrate block.npz --procedure wall.toml --step five=0 -o c9.h5": "MM=ROWS",
    "calibrate block.npz --procedure wall.toml --step 5=0-x -o c9.h5": "numbers and ranges",
    "calibrate block.npz --procedure wall.toml --step 5=0-99 -o c9.h5": "allowed: 0 to 5",
    "calibrate block.npz --procedure wall.toml --step 5=0 --step 6=0 -o c9.h5": "row 0 twice",
    "calibrate block.npz --procedure wall.toml --step=-5=0 -o c9.h5": "positive thickness",
    "calibrate block.npz --procedure wall.toml --known-column x -o c9.h5": "no column of the scan",
    "calibrate block.npz --procedure wall.toml --step 5=0 --block-u-mm -1 -o c9.h5": "is -1 mm",
    f"{CALIBRATE} --against wall.toml -o c9.h5": "no HDF5 file",
    "calibrate block.npz --procedure wall.toml --step 20=0 --step 5=4 -o c9.h5": "wrong order",
    "calibrate block.npz --procedure wall.toml --step 5=0 -o no/c9.h5": "is no folder",
    "calibrate block.npz --procedure wall.toml --step 5=0 -o old.h5": "exists",
    f"{MEASURE} -o old.h5": "exists",
    f"{MEASURE} -o r9.h5 --csv old.csv": "exists",
    f"{MEASURE} -o r9.h5 --rows 99": "names row 99",
    MEASURE.replace("c.h5", "block.npz") + " -o r9.h5": "no HDF5 file",
    MEASURE.replace("wall.toml", "other.toml") + " -o r9.h5": "another timing",
    MEASURE.replace("c.h5", "nothing.h5") + " -o r9.h5": "nothing.h5: is no file",
    f"{MEASURE} -o c.h5 --replace": "is an input of this command",
    f"{MEASURE} -o component.npz --replace": "is an input of this command",
    f"{MEASURE} -o r9.h5 --csv r9.h5 --replace": "is another output of this command",
    f"{MEASURE} -o r9.csv": "allowed: .h5",
    f"{MEASURE} -o old.h5 --replace": "holds something else (ascan-calibration)",
    f"{MEASURE} -o r9.h5 --rows 0-999999999999": "names row 999999999999",
    f"{MEASURE} -o r9.h5 --rows \u00b2": "numbers and ranges",
    "plot component.npz --procedure wall.toml -o wall.toml --replace": "is an input",
    "demo --folder .": "holds files that are not a demo's",
    "synth nothing -o s9.h5": "is no scenario",
    "synth wall.toml -o s9.h5": "is no good scenario",
    "export component.npz -o component.txt": ".csv, or .h5 for a scan",
    "export wall.toml -o wall.csv": "is no HDF5 file",
    "plot component.npz --procedure wall.toml --row 60 -o p9.png": "allowed: 0 to 59",
    "plot component.npz --procedure wall.toml --row x -o p9.png": "numbers and ranges",
}


@pytest.mark.parametrize("command", WRONG, ids=lambda text: text or "nothing")
def test_wrong_input_is_one_sentence_and_exit_code_2(
    command: str, job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ok(f"{CALIBRATE} -o c.h5 --quiet")
    Path("other.toml").write_text(PROCEDURE.replace('"contact"', '"delay_line"'))
    Path("old.h5").write_bytes(Path("c.h5").read_bytes())
    Path("old.csv").write_text("thickness_mm\n")
    before = {path.name: path.read_bytes() for path in job.iterdir()}
    capsys.readouterr()
    assert main(command.split()) == 2
    said = capsys.readouterr()
    assert said.err.startswith("ascan: ")
    assert said.err.count("\n") == 1
    assert WRONG[command] in said.err
    assert "Traceback" not in said.err
    after = {path.name: path.read_bytes() for path in job.iterdir()}
    assert after == before  # nothing was written, nothing was lost


@pytest.mark.parametrize("command", COMMANDS)
def test_help_has_an_example_and_the_caution(
    command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit, match="0"):
        main([command, "--help"])
    said = " ".join(capsys.readouterr().out.split())
    assert f"Example: ascan {command}" in said
    assert "qualified personnel decide" in said


def test_the_installed_command_never_shows_a_traceback(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "ascan.commands.cli", "info", "missing.h5"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 2
    assert done.stderr == "ascan: missing.h5: is no file\n"
