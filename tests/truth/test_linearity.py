"""A stretched time base and a bent amplifier are found with their size; a sound one is not."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from ascan import AscanError, Procedure, Scan, calibrate, save_scan
from ascan.commands.cli import main
from ascan.examples import PROCEDURE, plate_scan
from ascan.study.linearity import time_base, vertical

STEPS = np.array([3.0, 5.0, 10.0, 15.0, 20.0])


def test_the_largest_deviation_of_a_step_from_the_line() -> None:
    """10 mm come 0.05 mm late: the line takes a part of it, as least squares of five points do."""
    true = STEPS + np.array([0.0, 0.0, 0.05, 0.0, 0.0])
    how = Procedure.from_text(PROCEDURE)
    base = time_base(calibrate(plate_scan(true), how, STEPS, u_known_mm=0.005))
    lever = 1.0 / 5.0 + (10.0 - STEPS.mean()) ** 2 / ((STEPS - STEPS.mean()) ** 2).sum()
    assert base.at_mm == 10.0
    assert base.off_mm == pytest.approx(0.05 * (1.0 - lever), abs=1e-3)
    assert base.percent == pytest.approx(100.0 * base.off_mm / 17.0)
    sound = time_base(calibrate(plate_scan(STEPS), how, STEPS, u_known_mm=0.005))
    assert abs(sound.off_mm) < 1e-3
    with pytest.raises(AscanError, match="three steps or more"):
        time_base(calibrate(plate_scan(STEPS[:2]), how, STEPS[:2], u_known_mm=0.005))


def test_an_amplifier_that_bends_is_told_where_it_does() -> None:
    gain = np.tile([0.0, 6.0, 12.0, 18.0], 2)
    wall = np.repeat(["a", "b"], 4)
    true = np.where(wall == "a", 0.1, 0.08) * 10.0 ** (gain / 20.0)
    assert abs(vertical(true, gain, wall).percent_of_full_scale) < 1e-9
    bent = np.where(true > 0.7, true - 0.05, true)
    found = vertical(-bent, gain, wall)
    assert found.percent_of_full_scale == pytest.approx(-5.0, abs=1e-6)
    assert (found.at_db, found.walls) == (18.0, 2)
    clipped = np.minimum(2.0 * true, 1.0)
    assert abs(vertical(clipped, gain, wall).percent_of_full_scale) < 1e-9
    with pytest.raises(AscanError, match="at three gains"):
        vertical(true[:2], gain[:2], wall[:2])


def test_the_command_records_and_judges_by_the_users_limits(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("p.toml").write_text(PROCEDURE)
    gains = np.tile([-6.0, -3.0, 0.0], 5)
    plates = plate_scan(np.repeat(STEPS, 3))
    rows = plates.rows.read_block(0, 15) * (10.0 ** (gains / 20.0))[:, None]
    scan = Scan.from_array(
        rows.astype(np.float32), sample_rate_mhz=100.0,
        columns={"gain_db": gains, "step_mm": np.repeat(STEPS, 3)},
    )  # fmt: skip
    save_scan(scan, "block.h5")
    words = "linearity block.h5 --procedure p.toml --known-column step_mm --block-u-mm 0.005"
    assert main([*words.split(), "--time-limit-percent", "0.5"]) == 0
    told = capsys.readouterr().out
    assert "within the stated limit of 0.5 %" in told
    assert "no limit is stated for the heights" in told
    assert main([*words.split(), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert abs(data["vertical"]["percent_of_full_scale"]) < 0.5
    assert abs(data["time_base"]["percent"]) < 0.1
