"""The plan before a job, and the page of a calibration."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from ascan import AscanError, Procedure, calibrate, save_calibration
from ascan.calibration.conditions import Conditions
from ascan.commands.cli import main
from ascan.examples import PROCEDURE, plate_scan
from ascan.report.sheet import sheet_of
from ascan.study.planning import OVER_BOUND, Expected, expected_u_time_us, plan_for

HOW = Procedure.from_text(PROCEDURE)


def expected(**more: object) -> Expected:
    usual = {"wall_mm": 8.0, "steps_mm": (3.0, 5.0, 10.0, 20.0), "u_block_mm": 0.01}
    return Expected(**(usual | more))  # type: ignore[arg-type]


def test_expected_scatter_is_the_bound_times_its_factor() -> None:
    """0.2977 ns at 30 dB, 100 MHz, 5 MHz, 60 %: the project's check values (Kay 1993, 3.13)."""
    bound = expected_u_time_us(HOW, expected(snr_db=30.0)) / OVER_BOUND
    assert 1e3 * bound == pytest.approx(0.2977, abs=2e-4)


def test_the_plan_brackets_the_wall_and_foretells_the_calibration() -> None:
    plan = plan_for(HOW, expected())
    assert plan.brackets
    assert plan.steps_mm[0] <= 8.0 <= plan.steps_mm[-1]
    steps = np.repeat(np.array(plan.steps_mm), 3)
    made = calibrate(plate_scan(steps), HOW, steps, u_known_mm=0.01)
    u_common = 0.5 * made.velocity_mm_per_us * made.u_zero_us
    assert plan.budget.u_mm > 0.004
    # Three readings with 2 ns each add little to the block's 10 µm.
    by_block = [line.u_mm for line in plan.budget.rows if line.component == "block"]
    assert by_block[0] < u_common


def test_more_readings_never_make_it_worse() -> None:
    few, many = plan_for(HOW, expected(readings=1)), plan_for(HOW, expected(readings=20))
    assert many.budget.u_mm <= few.budget.u_mm


def test_a_wall_that_no_step_brackets_is_said() -> None:
    plan = plan_for(HOW, expected(wall_mm=30.0))
    assert not plan.brackets
    assert any("brackets" in line for line in plan.lines())
    with pytest.raises(AscanError, match="1 to 12"):
        plan_for(HOW, expected(steps_mm=tuple(np.arange(1.0, 20.0))))


def test_the_sheet_holds_all_and_is_sound(tmp_path: Path) -> None:
    steps = np.array([5.0, 10.0, 20.0])
    calibration = calibrate(plate_scan(steps), HOW, steps, u_known_mm=0.01)
    page = sheet_of(calibration, "a <b> & c")
    assert "a &lt;b&gt; &amp; c" in page
    assert calibration.digest in page
    picture = page[page.index("<svg") : page.index("</svg>") + 6]
    drawn = ElementTree.fromstring(picture)
    assert len(drawn.findall("circle")) == 3
    save_calibration(calibration, tmp_path / "c.h5")
    (tmp_path / "wall.toml").write_text(PROCEDURE)
    asked = [
        "calibration-report",
        str(tmp_path / "c.h5"),
        "--procedure",
        str(tmp_path / "wall.toml"),
    ]
    assert main([*asked, "-o", str(tmp_path / "c.html")]) == 0
    assert "effective degrees" in (tmp_path / "c.html").read_text()
    assert main([*asked, "-o", str(tmp_path / "c.html")]) == 2


def test_validity_ends() -> None:
    steps = np.array([5.0, 10.0, 20.0])
    made = calibrate(
        plate_scan(steps), HOW, steps, u_known_mm=0.01, conditions=Conditions(valid_days=1.0)
    )
    now = datetime.fromisoformat(made.conditions["made"])
    assert made.age_in_words(now + timedelta(hours=23)) == ""
    assert "ended" in made.age_in_words(now + timedelta(hours=25))


def test_commands_of_a_technicians_day(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Plan, calibrate with conditions, carry over to the component, see the drift."""
    from ascan.store.scans import save_scan

    path = {name: str(tmp_path / name) for name in ("wall.toml", "day.toml", "b.h5", "s.h5")}
    Path(path["wall.toml"]).write_text(PROCEDURE)
    Path(path["day.toml"]).write_text('couplant = "gel"\nblock_temperature_c = 21.0\n')
    save_scan(plate_scan(np.array([5.0, 10.0, 20.0])), path["b.h5"])
    save_scan(plate_scan(np.array([12.1])), path["s.h5"])
    how = ["--procedure", path["wall.toml"]]
    plan = ["plan", *how, "--wall-mm", "8", "--steps-mm", "3,5,10", "--block-u-mm", "0.01"]
    assert main(plan) == 0
    made = ["calibrate", path["b.h5"], *how, "--step", "5=0", "--step", "10=1", "--step", "20=2"]
    made += ["--conditions", path["day.toml"]]
    assert main([*made, "-o", str(tmp_path / "c.h5")]) == 0
    spot = ["calibrate", path["s.h5"], *how, "--on", str(tmp_path / "c.h5"), "--step", "12=0"]
    assert main([*spot, "--block-u-mm", "0.02", "-o", str(tmp_path / "d.h5")]) == 0
    again = [*made, "--against", str(tmp_path / "d.h5"), "-o", str(tmp_path / "e.h5")]
    assert main(again) == 0
    told = capsys.readouterr().out
    measured = str(tmp_path / "r.h5")
    fit = ["--calibration", str(tmp_path / "c.h5")]
    assert main(["measure", path["s.h5"], *how, *fit, "-o", measured]) == 0
    assert main(["budget", measured, *fit]) == 0
    assert "random draws" in capsys.readouterr().out
    other = ["--calibration", str(tmp_path / "d.h5")]
    assert main(["budget", measured, *other]) == 2
    assert "calibrate on:" in told
    assert "shown, not corrected" in told
    assert main([*spot, "-o", str(tmp_path / "f.h5")]) == 2
