"""A job from its folder: what the commands find, what they print, and wrong input."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from builders import HEADER_PROCEDURE

import ascan
from ascan.base.flags import Flag
from ascan.commands.change import compare_surfaces
from ascan.commands.cli import COMMANDS, main
from ascan.report.scale import ramp
from ascan.report.surface import change_figure
from ascan.store.job import Survey, load_job
from ascan.store.readings import readings_file

RASTER = """
title = "Raster over an invented plate with one pit"
seed = 5
[record]
samples = 2000
start_us = 5.0
[probe]
arrangement = "delay_line"
footprint_mm = 3.0
[wall]
columns = 12
rows = 8
pitch_mm = 2.0
nominal_mm = 8.0
waviness_mm = 0.4
[receiver]
noise = 0.004
"""


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a job that was calibrated, checked and measured, and go there."""
    folder = tmp_path_factory.mktemp("jobs")
    (folder / "wall.toml").write_text(HEADER_PROCEDURE + "\n[decision]\nminimum_mm = 6.0\n")
    (folder / "raster.toml").write_text(RASTER)
    job = folder / "plate"
    assert main(["job", str(job), "--procedure", str(folder / "wall.toml"), "--quiet"]) == 0
    text = (job / "job.toml").read_text()
    text = text.replace("# beam_mm", "beam_mm").replace("# index_mm", "index_mm")
    (job / "job.toml").write_text(text.replace('couplant = ""', 'couplant = "gel <20 °C>"'))
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(job)
        for words in (
            "synth step_block -o scans/block.h5",
            "synth ../raster.toml -o scans/plate.h5",
            "calibrate block.h5 --known-column true_axis_mm --block-u-mm 0.005",
            "check block.h5 --step 8=10-12 --step-u-mm 0.005 --at 2026-11-26T08:00",
            "measure plate.h5",
            "check block.h5 --step 8=10-12 --step-u-mm 0.005 --at 2026-11-26T16:00",
            "apply-checks plate.h5 --at 2026-11-26T12:00",
        ):
            assert main([*words.split(), "--quiet"]) == 0
    return job


@pytest.fixture
def here(job: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(job)
    return job


def said(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    capsys.readouterr()
    assert main(list(words)) == 0
    return capsys.readouterr().out


def refused(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    capsys.readouterr()
    assert main(list(words)) == 2
    heard = capsys.readouterr()
    assert heard.out == ""
    assert heard.err.count("\n") == 1
    return heard.err


def test_files_are_found_in_the_folder(here: Path) -> None:
    assert ascan.load_calibration("calibration.h5").minimum_mm == 3.0
    settled = ascan.load_readings("readings/plate-settled.h5")
    assert (settled.columns["check_status"] == 1).all()
    assert len(json.loads(Path("checks.json").read_text())["checks"]) == 6


def test_another_folder_is_named(
    job: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    again = str(tmp_path / "again.h5")
    assert main(["measure", "plate.h5", "--job", str(job), "-o", again, "--quiet"]) == 0
    first = ascan.load_readings(job / "readings/plate.h5")
    assert np.array_equal(ascan.load_readings(again).thickness_mm, first.thickness_mm)


def test_a_surface_in_words_and_as_data(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    readings = ascan.load_readings("readings/plate-settled.h5")
    picture = ["-o", "pages/surface.png", "--replace"]
    told = said(capsys, "map", "plate-settled.h5", "--limit", "8", *picture)
    least = float(np.nanmin(readings.thickness_mm))
    assert f"least  {least:.3f} mm" in told
    assert "positions every 2.00 mm, planned 2.00 mm: as planned" in told
    data = json.loads(said(capsys, "map", "plate-settled.h5", "--limit", "8", "--json"))
    assert data["figures"]["least_mm"] == least
    below = int((readings.thickness_mm < 8.0).sum())
    assert data["figures"]["below"][0]["area_mm2"] == 4.0 * below
    assert Path("pages/surface.png").read_bytes()[:4] == b"\x89PNG"


def test_inches_everywhere(here: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """25.4 mm to the inch, in text, data and tables; bare lengths of options are inches then."""
    mm, inch = (
        json.loads(said(capsys, "map", "plate-settled.h5", "--json", *more))
        for more in (["--limit", "8mm"], ["--inch", "--limit", "0.25in"])
    )
    assert inch["figures"]["least_in"] == pytest.approx(mm["figures"]["least_mm"] / 25.4)
    assert inch["figures"]["below"][0]["limit_in"] == pytest.approx(0.25)
    table = tmp_path / "cells.csv"
    words = ["map", "plate-settled.h5", "--inch", "--csv", str(table)]
    told = said(capsys, *words)
    assert " mm" not in told.split("Caution")[0].replace("µs", "")
    head, first = table.read_text().splitlines()[:2]
    assert head.startswith("x_in,y_in,least_in,u_in")
    assert float(first.split(",")[2]) < 1.0
    one = said(capsys, "measure", "plate.h5", "--rows", "0", "-o", str(tmp_path / "r.h5"), "--inch")
    assert re.search(r"row +0 +0\.\d{4} in, u 0\.\d{4} in", one)


def test_two_scans_are_joined(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    both = said(capsys, "map", "plate-settled.h5", "--and", "readings/plate.h5@0,0,0")
    assert "share 96 positions: the second reads +0.000 mm more" in both
    assert "of plate-settled.h5" in both


def test_what_neighbours_say_stands_beside_the_readings(
    here: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    table = tmp_path / "cells.csv"
    words = ["map", "plate-settled.h5", "--joint", "0.2", "--csv", str(table)]
    assert "the wall varies under the beam" in said(capsys, *words)
    rows = [line.split(",") for line in table.read_text().splitlines()]
    cells = {
        name: np.array([float(row[k] or "nan") for row in rows[1:]])
        for k, name in enumerate(rows[0])
    }
    readings = ascan.load_readings("readings/plate-settled.h5")
    assert np.array_equal(cells["least_mm"], readings.thickness_mm, equal_nan=True)
    assert np.nanmax(np.abs(cells["joint_mm"] - cells["least_mm"])) < 0.2
    assert np.nanmin(cells["u_footprint_mm"]) >= 0.0


def test_the_same_signals_read_twice(
    here: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    text = Path("procedure.toml").read_text()
    (tmp_path / "new.toml").write_text(text.replace("threshold = 0.05", "threshold = 0.2"))
    new = str(tmp_path / "new.h5")
    words = ["measure", "plate.h5", "--procedure", str(tmp_path / "new.toml"), "-o", new]
    assert main([*words, "--quiet"]) == 0
    table = tmp_path / "differences.csv"
    words = ["diff", "readings/plate.h5", new, "--csv", str(table), "--json"]
    counts = json.loads(said(capsys, *words))["outcomes"]
    assert sum(counts.values()) == 96
    assert len(table.read_text().splitlines()) == 97
    same = json.loads(said(capsys, "diff", "plate.h5", "plate.h5", "--json"))
    assert same["outcomes"]["same"] == 96
    assert same["most_off_mm"] == 0.0


def test_what_has_changed(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = json.loads(
        said(capsys, "change", "plate.h5", "plate-settled.h5", "--years", "2", "--json")
    )
    assert data["cells_in_both"] == 96
    assert data["mean_loss_mm"] == 0.0
    assert data["cells_thinner"] == data["cells_thicker"] == 0
    assert "years" in refused(capsys, "change", "plate.h5", "plate-settled.h5")


class Links(HTMLParser):
    """Gathers what a page would load, and its open tags."""

    def __init__(self) -> None:
        super().__init__()
        self.sources: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name in ("src", "href"):
                self.sources.append(str(value))


def test_the_page_holds_all_and_loads_nothing(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said(capsys, "job-report", "plate-settled.h5", "--replace")
    page = Path("pages/plate-settled.html").read_text()
    links = Links()
    links.feed(page)
    assert links.sources
    assert all(source.startswith("data:image/png;base64,") for source in links.sources)
    readings = ascan.load_readings("readings/plate-settled.h5")
    calibration = ascan.load_calibration("calibration.h5")
    for wanted in (
        "gel &lt;20 °C&gt;",
        calibration.digest,
        readings.provenance["input"]["waveforms_sha256"],
        "Caution:",
        "step 8.000 mm",
        "governing code",
        "not stated",
        "threshold = 0.05",
        "degrees of freedom",
        f"{np.nanmin(readings.thickness_mm):.3f} mm",
    ):
        assert wanted in page
    assert "<script" not in page


def test_the_page_says_which_pits_the_procedure_would_see(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Beside the caution: what was simulated of this procedure, or that nothing was."""
    page = Path("pages/pits.html")
    words = ["job-report", "plate-settled.h5", "-o", str(page), "--replace"]
    said(capsys, *words)
    assert "not simulated (ascan smallest-pit)" in page.read_text()
    text = ascan.load_readings("readings/plate-settled.h5").provenance["procedure"]
    pits = {"told": ["flat-bottomed: found in 90 % at 95 % from 3.1 mm"], "procedure": text}
    Path("pits.json").write_text(json.dumps(pits))
    said(capsys, *words, "--pits", "pits.json")
    assert "found in 90 % at 95 % from 3.1 mm" in page.read_text()
    Path("pits.json").write_text(json.dumps(pits | {"procedure": text + "# another"}))
    assert "is of another procedure" in refused(capsys, *words, "--pits", "pits.json")
    Path("pits.json").write_text("[]")
    assert "is not what ascan smallest-pit prints" in refused(capsys, *words, "--pits", "pits.json")
    assert "No such file" in refused(capsys, *words, "--pits", "plates.json")


def test_a_page_is_not_made_from_other_waveforms(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["job-report", "plate-settled.h5", "--scan", "scans/block.h5", "-o", "pages/other.html"]
    assert "not what the readings were measured from" in refused(capsys, *words)
    assert not Path("pages/other.html").exists()


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("map plate-settled.h5 --limit 8cm", "a length"),
        ("map plate-settled.h5 --area 0,1,2", "X0,X1,Y0,Y1"),
        ("map plate-settled.h5 --and plate.h5", "FILE@X,Y,DEG"),
        ("map plate-settled.h5 --cell 0.0001", "cells"),
        ("map plate-settled.h5 --mesh plate.xyz", "ends in"),
        ("points plate-settled.h5", "point"),
        ("plot plate.h5 --flag nonsense", "no_echo"),
        ("plot plate.h5 --at 3", "X,Y"),
        ("plot plate.h5 --point a", "no column point"),
        ("plot plate.h5 --row 0-20", "such as --row 0,1,2,3,4,5"),
        ("points plate-settled.h5 --years 2", "needs earlier readings"),
        ("map plate-settled.h5 --area -5,-1,-5", "X0,X1,Y0,Y1"),
        ("job .", "holds a job already"),
        ("diff plate.h5 nothing.h5", "is no file"),
    ],
)
def test_wrong_input(
    here: Path, capsys: pytest.CaptureFixture[str], words: str, message: str
) -> None:
    assert message in refused(capsys, *words.split())


def test_without_a_job_each_file_is_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert "needs --procedure" in refused(capsys, "measure", "scan.npz")
    Path("job.toml").write_text("title = 3")
    assert "allowed: text" in refused(capsys, "measure", "scan.npz")
    Path("job.toml").write_text("[survey]\nx_from_mm = 1.0")
    assert "all four" in refused(capsys, "measure", "scan.npz")
    Path("job.toml").write_text("[about]\ncouplent = 'gel'")
    assert "couplant" in refused(capsys, "measure", "scan.npz")


def test_a_job_states_what_it_states(job: Path) -> None:
    loaded = load_job(job)
    assert loaded.title == "plate"
    assert loaded.survey.beam_mm == 4.0
    assert loaded.about.as_texts() == {"couplant": "gel <20 °C>"}


def test_a_shell_learns_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("shtab")
    script = said(capsys, "completion", "bash")
    assert all(command in script for command in COMMANDS)
    assert "--block-u-mm" in script


def test_void_readings_count_for_nothing_anywhere(
    here: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """A failed check makes exit code 3; what it voids is usable in no summary."""
    series, void = str(tmp_path / "bad.json"), str(tmp_path / "void.h5")
    words = f"check block.h5 --step 8.2=10-12 --step-u-mm 0.005 --series {series}".split()
    assert main([*words, "--at", "2026-11-26T13:00", "--quiet"]) == 3
    words = ["apply-checks", "plate.h5", "--series", series, "--at", "2026-11-26T12:00", "-o", void]
    assert main([*words, "--quiet"]) == 0
    told = said(capsys, "info", void)
    assert "0 usable, 0 usable with care, 96 not usable" in told
    assert "void by a failed check" in told
    assert main(["export", void, "-o", str(tmp_path / "void.csv"), "--quiet"]) == 0
    lines = (tmp_path / "void.csv").read_text().splitlines()
    assert all(line.endswith("not usable") for line in lines[1:])
    assert "nothing was measured" in said(capsys, "map", void)


def test_a_change_is_drawn_and_stands_on_the_page(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    picture = ["-o", "pages/change.png", "--replace"]
    told = said(capsys, "change", "plate.h5", "plate-settled.h5", "--years", "2", *picture)
    assert "thinner by more than the 95 % interval: 0; thicker so: 0" in told
    assert "BOTH WERE MEASURED FROM THE SAME WAVEFORMS" in told
    assert "READ BEFORE AND NOT NOW" not in told
    assert Path("pages/change.png").read_bytes()[:4] == b"\x89PNG"
    more = ["--earlier", "plate.h5", "--years", "2", "-o", "pages/since.html", "--replace"]
    said(capsys, "job-report", "plate-settled.h5", *more)
    page = Path("pages/since.html").read_text()
    assert "Since the earlier survey:" in page
    assert page.count("Loss of each cell") == 2
    assert ", allowed 0" in page


def test_what_was_read_before_and_is_refused_now_is_told(
    here: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """The thinnest place before has no reading now: its loss may be the most of all."""
    before = ascan.load_readings("readings/plate.h5")
    row = int(np.nanargmin(before.thickness_mm))
    columns = {name: values.copy() for name, values in before.columns.items()}
    columns["flags"][row] |= np.uint32(Flag.NO_ECHO)
    columns["thickness_mm"][row] = np.nan
    with readings_file(tmp_path / "now.h5") as file:
        file.append(columns)
        file.finish(dict(before.provenance))
    now = str(tmp_path / "now.h5")
    told = said(capsys, "change", "plate.h5", now, "--years", "2")
    least = f"{before.thickness_mm[row]:.3f} mm"
    assert "READ BEFORE AND NOT NOW: 1 cells, 1 of them with refused positions" in told
    assert f"the least of them was {least}" in told
    data = json.loads(said(capsys, "change", "plate.h5", now, "--years", "2", "--json"))
    assert data["cells_refused_now"] == 1
    assert data["least_before_not_now"]["earlier_mm"] == pytest.approx(before.thickness_mm[row])
    # A reading without a thickness is neither confirmed nor open.
    words = ["apply-checks", now, "--at", "2026-11-26T12:00", "-o", str(tmp_path / "settled.h5")]
    assert "95 confirmed, 0 void; 1 without a thickness" in said(capsys, *words)


def test_a_loss_of_nothing_is_drawn_in_the_lightest_colour(here: Path) -> None:
    pytest.importorskip("matplotlib")
    readings = ascan.load_readings("readings/plate.h5")
    found = compare_surfaces(readings, readings, Survey(), 1.0, None)
    figure = change_figure(found.later, found.earlier, found.change, title="nothing")
    (mesh,) = [one for one in figure.axes[0].collections if one.get_array() is not None]
    colours = mesh.to_rgba(mesh.get_array().compressed())[:, :3]
    assert np.abs(colours - ramp()[-1]).max() < 1e-9


def test_joined_scans_stand_on_the_page(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same plate once more beside itself: twice the ground, its thinnest places twice."""
    pytest.importorskip("matplotlib")
    words = ["job-report", "plate.h5", "--and", "plate-settled.h5@24,0,0", "-o", "pages/two.html"]
    said(capsys, *words, "--replace")
    page = Path("pages/two.html").read_text()
    assert "192 cells of 2.00 mm: 192 read" in page
    assert "of plate-settled.h5: " in page
    captions = re.findall("<figcaption>([0-9]): row", page)
    assert 0 < len(captions) < 6
