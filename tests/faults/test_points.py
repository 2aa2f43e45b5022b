"""Named points from waveforms to the page: what is lost, what is not known, what is drawn."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from builders import HEADER_PROCEDURE

import ascan
from ascan.commands.cli import main

NAMES = ["N1", "N2", "N3"]
SCENARIO = """
seed = {seed}
[record]
samples = 2000
start_us = 5.0
[probe]
arrangement = "delay_line"
[wall]
steps_mm = {walls}
readings = 3
[receiver]
noise = 0.004
"""


def survey(name: str, walls: list[float], seed: int, dead: slice) -> None:
    """Write and measure three readings on each point; some waveforms may be silent."""
    Path(f"{name}.toml").write_text(SCENARIO.format(seed=seed, walls=walls))
    assert main(["synth", f"{name}.toml", "-o", f"{name}-all.h5", "--quiet"]) == 0
    scan = ascan.open_scan(f"{name}-all.h5")
    waveforms = scan.rows.read_block(0, len(scan)).copy()
    waveforms[dead] = 0
    np.savez(
        f"{name}.npz", waveforms=waveforms, sample_rate_mhz=100.0, start_time_us=5.0,
        full_scale=2048, clip_low=-2048, clip_high=2047, point=np.repeat(NAMES, 3),
    )  # fmt: skip
    words = f"measure {name}.npz --procedure wall.toml --calibration c.h5 -o {name}.h5 --quiet"
    assert main(words.split()) == 0


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with two surveys: N1 lost 0.5 mm, N2 nothing, N3 cannot be read now."""
    folder = tmp_path_factory.mktemp("points")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        Path("wall.toml").write_text(HEADER_PROCEDURE)
        assert main(["synth", "step_block", "-o", "block.h5", "--quiet"]) == 0
        steps = "--known-column true_axis_mm --block-u-mm 0.005 -o c.h5 --quiet"
        assert main(["calibrate", "block.h5", "--procedure", "wall.toml", *steps.split()]) == 0
        survey("last", [6.5, 8.0, 7.0], 3, slice(0, 0))
        survey("now", [6.0, 8.0, 7.0], 4, slice(6, 9))
    return folder


def test_points_are_told_compared_and_drawn(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("matplotlib")
    monkeypatch.chdir(folder)
    words = "points now.h5 --earlier last.h5 --years 2 --minimum 5.5 -o points.png --replace"
    assert main(words.split()) == 0
    told = capsys.readouterr().out
    line = {name: re.search(rf"^{name} .*$", told, re.M)[0] for name in NAMES}  # type: ignore[index]
    assert re.search(r"lost \+0\.(49|50)", line["N1"])
    assert "LOSS; to the minimum: 2.0 years at that rate, at 95 % not less than 1.7" in line["N1"]
    assert "LOSS" not in line["N2"]
    assert "no loss shown; at 95 % not less than" in line["N2"]
    assert re.search(r"no reading can be used; read (6.99|7.00). mm before", line["N3"])
    assert "NOT KNOWN" in line["N3"]
    assert Path("points.png").read_bytes()[:4] == b"\x89PNG"
    assert main([*words.split()[:7], "6.5", "--json"]) == 0
    data = {one["point"]: one for one in json.loads(capsys.readouterr().out)}
    assert data["N1"]["remaining_years"] == 0.0
    assert data["N3"]["least_mm"] is None
    assert main([*words.split()[:7], "6.5"]) == 0
    told = capsys.readouterr().out
    assert "not above the minimum now" in told
    assert "BELOW THE MINIMUM of 6.500 mm now: N1" in told


def test_the_page_holds_a_waveform_of_each_point_that_was_read(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("matplotlib")
    monkeypatch.chdir(folder)
    words = "job-report now.h5 --scan now.npz --calibration c.h5 -o page.html --replace --quiet"
    assert main(words.split()) == 0
    page = Path("page.html").read_text()
    captions = re.findall("<figcaption>(.*?)</figcaption>", page)
    assert "Least reading of each point" in captions[0]
    assert [re.search(r"at point (\w+)", one)[1] for one in captions[1:]] == ["N1", "N2"]  # type: ignore[index]
