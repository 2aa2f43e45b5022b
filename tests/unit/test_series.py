"""Checks of a series: which readings they confirm, void, or leave open."""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ascan import AscanError, Procedure, calibrate, load_readings, measure_to_file, save_calibration
from ascan.calibration.conditions import Conditions
from ascan.commands.cli import main
from ascan.examples import PROCEDURE, plate_scan
from ascan.results.series import CheckReading, CheckStatus, check_statuses
from ascan.store.scans import save_scan
from ascan.store.series import add_checks, load_series
from ascan.study.checking import check_steps


def check(time_s: float, passed: bool, calibration: str = "a") -> CheckReading:
    return CheckReading(
        time_s=time_s,
        step_mm=10.0,
        u_step_mm=0.01,
        reading_mm=10.0,
        expanded_mm=0.02,
        passed=passed,
        reason="" if passed else "off",
        calibration=calibration,
    )


def test_a_failed_check_voids_back_to_the_last_good_one() -> None:
    """The published principle: void between the good check at 0 and the failed one at 20."""
    checks = [check(0.0, True), check(10.0, True), check(20.0, False), check(30.0, True)]
    found = check_statuses(np.array([-5.0, 5.0, 15.0, 25.0, 35.0]), checks)
    assert found.tolist() == [0, 1, 2, 2, 0]


def test_checks_too_far_apart_confirm_nothing() -> None:
    checks = [check(0.0, True), check(5 * 3600.0, True)]
    at = np.array([3600.0])
    assert check_statuses(at, checks)[0] == CheckStatus.CONFIRMED
    assert check_statuses(at, checks, recheck_hours=4.0)[0] == CheckStatus.OPEN
    assert check_statuses(at, [])[0] == CheckStatus.OPEN


@given(
    st.lists(st.tuples(st.integers(0, 50), st.booleans()), min_size=1, max_size=12),
    st.integers(-5, 55),
)
def test_a_later_check_never_confirms_what_a_failed_one_voids(
    made: list[tuple[int, bool]], at: int
) -> None:
    checks = [check(float(t), passed) for t, passed in made]
    before = check_statuses(np.array([at + 0.5]), checks)[0]
    after = check_statuses(np.array([at + 0.5]), [*checks, check(100.0, True)])[0]
    assert after == before or before == CheckStatus.OPEN
    if all(passed for _, passed in made):
        assert after != CheckStatus.VOID


def test_a_day_from_the_command_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """CheckReading, measure, check with a shifted clock: the readings between the two are void."""
    monkeypatch.chdir(tmp_path)
    Path("wall.toml").write_text(PROCEDURE)
    procedure, steps = Procedure.from_text(PROCEDURE), np.array([5.0, 10.0, 20.0])
    calibration = calibrate(plate_scan(steps), procedure, steps, u_known_mm=0.01)
    save_calibration(calibration, "c.h5")
    save_scan(plate_scan(np.array([10.0])), "good.h5")
    save_scan(plate_scan(np.array([10.2])), "off.h5")
    measure_to_file(plate_scan(np.array([8.0, 9.0])), procedure, calibration, "r.h5")
    common = ["--procedure", "wall.toml", "--calibration", "c.h5", "--step-u-mm", "0.01"]
    common += ["--series", "day.json", "--step", "10=0"]
    assert main(["check", "good.h5", *common, "--at", "2026-05-04T08:00"]) == 0
    assert main(["check", "good.h5", *common, "--at", "2026-05-04T10:00"]) == 0
    settle = ["apply-checks", "r.h5", "--series", "day.json", "--at", "2026-05-04T09:00"]
    assert main([*settle, "-o", "s.h5"]) == 0
    assert load_readings("s.h5").columns["check_status"].tolist() == [1, 1]
    assert main(["check", "off.h5", *common, "--at", "2026-05-04T12:00"]) == 3
    late = [
        "apply-checks",
        "s.h5",
        "--series",
        "day.json",
        "--at",
        "2026-05-04T11:00",
        "-o",
        "t.h5",
    ]
    assert main(late) == 0
    kept = load_readings("t.h5")
    assert kept.columns["check_status"].tolist() == [2, 2]
    assert len(kept.provenance["check_statuses"]) == 2
    # What was read stands as it was read.
    assert (kept.thickness_mm == load_readings("r.h5").thickness_mm).all()
    assert [one.passed for one in load_series("day.json")] == [True, True, False]
    assert main([*settle[:3], "nothing.json", "-o", "u.h5"]) == 2


def test_checks_that_are_added_at_one_time_are_all_kept(tmp_path: Path) -> None:
    path = tmp_path / "day.json"
    threads = [
        threading.Thread(target=add_checks, args=(path, [check(float(k), k % 3 != 0)]))
        for k in range(12)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(one.time_s for one in load_series(path)) == list(range(12))


@pytest.mark.parametrize(
    ("known", "u_mm", "tolerance_mm", "message"),
    [
        (10.0, -1.0, None, "is -1 mm on the 10 mm step"),
        (10.0, 0.0, None, "no block is exact"),
        (10.0, 10.0, None, "up to a tenth of the step"),
        (10.0, np.nan, None, "is nan mm"),
        (0.0, 0.01, None, "a step of 0 mm"),
        (10.0, 0.01, -5.0, "tolerance: is -5 mm"),
        (10.0, 0.01, 5.0, "up to a tenth of the step"),
    ],
)
def test_a_check_that_could_not_fail_is_refused(
    known: float, u_mm: float, tolerance_mm: float | None, message: str
) -> None:
    procedure, steps = Procedure.from_text(PROCEDURE), np.array([5.0, 10.0, 20.0])
    calibration = calibrate(plate_scan(steps), procedure, steps, u_known_mm=0.01)
    with pytest.raises(AscanError, match=message):
        check_steps(
            plate_scan(np.array([10.5])),
            procedure,
            calibration,
            np.array([known]),
            u_known_mm=u_mm,
            tolerance_mm=tolerance_mm,
            time_s=0.0,
        )


def test_what_the_calibration_says_of_its_checks_holds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Checks eight hours apart confirm nothing where one is due every four."""
    monkeypatch.chdir(tmp_path)
    procedure, steps = Procedure.from_text(PROCEDURE), np.array([5.0, 10.0, 20.0])
    conditions = Conditions(recheck_hours=4.0)
    calibration = calibrate(
        plate_scan(steps), procedure, steps, u_known_mm=0.01, conditions=conditions
    )
    measure_to_file(plate_scan(np.array([8.0])), procedure, calibration, "r.h5")
    add_checks("day.json", [check(t, True, calibration.digest) for t in (0.0, 8.0 * 3600.0)])
    settle = ["apply-checks", "r.h5", "--series", "day.json", "--at", "1970-01-01T04:00"]
    assert main([*settle, "-o", "s.h5"]) == 0
    assert load_readings("s.h5").columns["check_status"].tolist() == [CheckStatus.OPEN]
    assert main([*settle, "-o", "t.h5", "--recheck-hours", "9"]) == 0
    assert load_readings("t.h5").columns["check_status"].tolist() == [CheckStatus.CONFIRMED]
    assert main([*settle, "-o", "u.h5", "--recheck-hours", "-9"]) == 2


def test_wrong_series(tmp_path: Path) -> None:
    add_checks(tmp_path / "day.json", [check(0.0, True)])
    with pytest.raises(AscanError, match="another calibration"):
        add_checks(tmp_path / "day.json", [check(1.0, True, "b")])
    (tmp_path / "bad.json").write_text("{}")
    with pytest.raises(AscanError, match="no file of checks"):
        load_series(tmp_path / "bad.json")
    procedure, steps = Procedure.from_text(PROCEDURE), np.array([5.0, 10.0, 20.0])
    calibration = calibrate(plate_scan(steps), procedure, steps, u_known_mm=0.01)
    with pytest.raises(AscanError, match="when it was taken"):
        check_steps(plate_scan(steps), procedure, calibration, steps, u_known_mm=0.01)
