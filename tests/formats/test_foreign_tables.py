"""Text files as instruments write them: headers, units, decimal commas, clocks, odd columns."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ascan import AscanError, ForeignLayout, Scan, open_scan, read_foreign
from ascan.commands.cli import main
from ascan.store.scan_text import write_scan_text

ROWS, SAMPLES, RATE_MHZ = 6, 60, 50.0
CODES = np.random.default_rng(8).integers(-90, 90, (ROWS, SAMPLES))
TIME_US = 2.5 + np.arange(SAMPLES) / RATE_MHZ


def written(path: Path, lines: list[str], encoding: str = "utf-8") -> Path:
    path.write_bytes("\n".join(lines).encode(encoding))
    return path


def waves(scan: Scan) -> np.ndarray:
    return scan.rows.read_block(0, len(scan))


def rows_with(head: list[str], *columns: list[Any], between: str = ",") -> list[str]:
    """Return a header, and a line of each record behind its columns."""
    own = zip(*columns, strict=True)
    lines = [[*each, *wave] for each, wave in zip(own, CODES.tolist(), strict=True)]
    names = [[*head, *(f"s{k}" for k in range(SAMPLES))]] if head else []
    return [between.join(map(str, line)) for line in names + lines]


def test_named_columns_are_never_samples(tmp_path: Path) -> None:
    """Names with their units, in inches and centimetres too; texts; dates."""
    head = [
        "x (in)",
        "Y [cm]",
        "point",
        "Temperature (°C)",
        "gain_db",
        "step_mm",
        "time",
        "channel",
    ]
    columns = [
        [0, 1, 2, 3, 4, 5],
        [0.5] * ROWS,
        ["A1", "A2", "B1", "B2", "C1", "C2"],
        [20.5] * ROWS,
        [34] * ROWS,
        [5, 5, 5, 10, 10, 10],
        [f"2026-05-04T08:0{k}" for k in range(ROWS)],
        [1, 2, 1, 2, 1, 2],
    ]
    path = written(tmp_path / "a.csv", ["# taken by hand", *rows_with(head, *columns)])
    scan = read_foreign(path, sample_rate_mhz=RATE_MHZ)
    assert np.array_equal(waves(scan), CODES)
    found = scan.columns
    assert found["x_mm"] == pytest.approx(25.4 * np.arange(ROWS))
    assert found["y_mm"].tolist() == [5.0] * ROWS
    assert found["point"].tolist() == columns[2]
    assert found["temperature_c"].tolist() == [20.5] * ROWS
    assert found["gain_db"].tolist() == [34.0] * ROWS
    assert found["known_mm"].tolist() == columns[5]
    assert np.diff(found["time_s"]).tolist() == [60.0] * (ROWS - 1)
    assert found["channel"].tolist() == columns[7]


@pytest.mark.parametrize("between", [";", "\t", " "])
def test_a_decimal_comma(between: str, tmp_path: Path) -> None:
    lines = [between.join(f"{code / 128.0:.6f}".replace(".", ",") for code in row) for row in CODES]
    scan = read_foreign(written(tmp_path / "a.csv", lines), sample_rate_mhz=RATE_MHZ)
    assert waves(scan) == pytest.approx(CODES / 128.0, abs=1e-6)


@pytest.mark.parametrize(
    ("name", "factor", "form"),
    [
        ("time (µs)", 1.0, ".3f"),
        ("t_ns", 1e3, ".0f"),
        ("Time [s]", 1e-6, ".9e"),
        ("time_ms", 1e-3, ".6f"),
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "latin-1"])
def test_a_time_column_is_the_clock(
    name: str, factor: float, form: str, encoding: str, tmp_path: Path
) -> None:
    """Records in columns; start and rate follow, whatever the unit and the last digit."""
    lines = [f"{name};first;second"]
    for when, pair in zip(TIME_US * factor, CODES[:2].T, strict=True):
        lines.append(f"{when:{form}};{pair[0]};{pair[1]}")
    path = written(tmp_path / "a.csv", lines, encoding)
    layout = ForeignLayout(columns={"t_ns": "time_ns"} if name == "t_ns" else {})
    scan = read_foreign(path, layout)
    assert scan.recording.sample_rate_mhz == pytest.approx(RATE_MHZ, rel=1e-4)
    assert scan.start_time_us == pytest.approx([2.5, 2.5], abs=1e-3)
    assert np.array_equal(waves(scan), CODES[:2])
    assert scan.columns["record"].tolist() == ["first", "second"]
    with pytest.raises(AscanError, match=r"has 50 samples in a µs by its own time, and 25 are"):
        read_foreign(path, layout, sample_rate_mhz=25.0)
    assert read_foreign(path, layout, sample_rate_mhz=RATE_MHZ).recording.sample_rate_mhz == 50.0


def test_an_uneven_time_is_refused(tmp_path: Path) -> None:
    lines = [f"{when:.3f},{code}" for when, code in zip(TIME_US, CODES[0], strict=True)]
    whole = ["time_us,wave", *lines]
    for cut, told in (
        ([*whole[:20], *whole[21:]], "off an even time"),
        ([*whole[:20], whole[21], whole[20], *whole[22:]], "off an even time"),
        (["time_us,wave", *reversed(lines)], "does not rise"),
        ([line.replace("time_us", "time") for line in whole], "states no unit"),
    ):
        path = written(tmp_path / "a.csv", cut)
        with pytest.raises(AscanError, match=told):
            read_foreign(path, ForeignLayout(order="samples_first"))


def test_what_is_not_known_is_asked_about(tmp_path: Path) -> None:
    path = written(tmp_path / "a.csv", rows_with(["x_mm", "wheel"], [0.0] * ROWS, [7] * ROWS))
    with pytest.raises(AscanError, match=r"column 'wheel': is neither known nor a sample.*--drop"):
        read_foreign(path, sample_rate_mhz=RATE_MHZ)
    kept = read_foreign(path, ForeignLayout(columns={"wheel": "turns"}), sample_rate_mhz=RATE_MHZ)
    assert kept.columns["turns"].tolist() == [7.0] * ROWS
    less = read_foreign(path, ForeignLayout(drop=("wheel",)), sample_rate_mhz=RATE_MHZ)
    assert list(less.columns) == ["x_mm"]
    for scan in (kept, less):
        assert np.array_equal(waves(scan), CODES)
    no_unit = written(tmp_path / "b.csv", rows_with(["x"], [0.0] * ROWS))
    with pytest.raises(AscanError, match=r"\(x\): states no unit.*name it x_mm"):
        read_foreign(no_unit, sample_rate_mhz=RATE_MHZ)
    with pytest.raises(AscanError, match="has no column 'nobody'"):
        read_foreign(path, ForeignLayout(drop=("nobody",)), sample_rate_mhz=RATE_MHZ)


@pytest.mark.parametrize(
    "column",
    [
        [0.0, 1.0, 2.0, 3.0, 4.0, 5.0],
        [0.0, 0.5, 1.0, 0.0, 0.5, 1.0],
        [5, 5, 5, 10, 10, 10],
        [20.5] * ROWS,
    ],
)
def test_a_column_without_a_name_that_is_no_sample_is_asked_about(
    column: list[float], tmp_path: Path
) -> None:
    """A line, a raster, steps, a constant: swallowed, it would shift every echo by a sample."""
    path = written(tmp_path / "a.csv", rows_with([], column))
    with pytest.raises(AscanError, match="column 1: is not like its neighbours"):
        read_foreign(path, sample_rate_mhz=RATE_MHZ)
    layout = ForeignLayout(columns={"1": "x_mm"})
    scan = read_foreign(path, layout, sample_rate_mhz=RATE_MHZ)
    assert scan.columns["x_mm"].tolist() == column
    assert np.array_equal(waves(scan), CODES)


def test_records_of_noise_or_silence_are_all_samples(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    for codes in (rng.integers(-1, 2, (20, 80)), np.zeros((20, 80), int), CODES):
        lines = [",".join(map(str, row)) for row in codes.tolist()]
        scan = read_foreign(written(tmp_path / "a.csv", lines), sample_rate_mhz=RATE_MHZ)
        assert np.array_equal(waves(scan), codes)


def test_what_comments_and_a_sidecar_state(tmp_path: Path) -> None:
    """The caller goes before the sidecar, the sidecar before the file's own comments."""
    lines = ["# sample_rate_mhz = 50.0", "# full_scale = 100", "% gain_db = 40"]
    lines += [",".join(map(str, row)) for row in CODES.tolist()]
    path = written(tmp_path / "a.csv", lines)
    scan = read_foreign(path)
    assert (scan.recording.sample_rate_mhz, scan.recording.full_scale) == (50.0, 100.0)
    assert scan.columns["gain_db"].tolist() == [40.0] * ROWS
    sidecar = written(tmp_path / "a.toml", ["full_scale = 128", "start_us = 4.0"])
    scan = read_foreign(path, sidecar=sidecar)
    assert scan.recording.full_scale == 128.0
    assert scan.start_time_us.tolist() == [4.0] * ROWS
    assert read_foreign(path, sidecar=sidecar, full_scale=200.0).recording.full_scale == 200.0
    for text, told in (
        ("full_scal = 1", "is no key.*full_scale"),
        ("full_scale = true", "is True; allowed: a number"),
        ("rectified = 1", "allowed: true or false"),
        ("= 1", "is not TOML"),
    ):
        written(sidecar, [text])
        with pytest.raises(AscanError, match=told):
            read_foreign(path, sidecar=sidecar)
    written(path, lines[1:])
    with pytest.raises(AscanError, match="does not say how many samples are in a µs"):
        read_foreign(path)


def test_a_scan_goes_out_and_comes_back_the_same(tmp_path: Path) -> None:
    head = ["x_mm", "y_mm", "point", "channel"]
    columns = [[0.5 * k for k in range(ROWS)], [3] * ROWS, list("ABCDEF"), [1, 2] * 3]
    path = written(tmp_path / "a.csv", rows_with(head, *columns))
    first, text, second = tmp_path / "a.h5", tmp_path / "b.csv", tmp_path / "b.h5"
    options = ["--dtype", "int16", "--sample-rate-mhz", "50", "--start-us", "2.5"]
    levels = ["--full-scale", "100", "--clip-low", "-90", "--clip-high", "89", "--gain-db", "34"]
    assert main(["import", str(path), *options, *levels, "-o", str(first)]) == 0
    assert main(["export", str(first), "-o", str(text)]) == 0
    assert main(["import", str(text), "--dtype", "int16", "-o", str(second)]) == 0
    one, two = open_scan(first), open_scan(second)
    assert one.recording == two.recording
    assert np.array_equal(waves(one), waves(two))
    assert np.array_equal(one.start_time_us, two.start_time_us)
    assert set(one.columns) == set(two.columns) == {*head, "gain_db"}
    for name, values in one.columns.items():
        assert np.array_equal(values, two.columns[name])


def test_columns_that_nothing_knows_come_back_under_their_names(tmp_path: Path) -> None:
    """What goes out says which of its columns are no samples; numbers and texts among them."""
    scan = Scan.from_array(
        np.arange(3 * 40, dtype=np.int16).reshape(3, 40),
        sample_rate_mhz=50.0,
        full_scale=512,
        columns={"true_axis_mm": [1.5, 2.5, 3.5], "Remark": list("uvw"), "s7": [1, 2, 3]},
    )
    write_scan_text(scan, tmp_path / "a.csv")
    again = read_foreign(tmp_path / "a.csv", ForeignLayout(dtype="int16"))
    assert np.array_equal(waves(scan), waves(again))
    assert set(again.columns) == set(scan.columns)
    for name, values in scan.columns.items():
        assert np.array_equal(values, again.columns[name])


def test_a_dry_run_writes_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = written(tmp_path / "a.csv", rows_with(["x_mm"], list(range(ROWS))))
    assert main(["import", str(path), "--sample-rate-mhz", "50", "--dry-run"]) == 0
    told = capsys.readouterr().out
    assert "6 waveforms of 60 samples would be read" in told
    assert "column x_mm: 0.0, 1.0, 2.0, ..." in told
    assert [each.name for each in tmp_path.iterdir()] == ["a.csv"]
    assert main(["import", str(path), "--sample-rate-mhz", "50"]) == 2


def test_each_channel_has_its_own_place(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A probe that turns by 90°: what was along is across."""
    head = ["x_mm", "y_mm", "heading_deg", "channel"]
    columns = [[10.0] * 6, [5.0] * 6, [0, 0, 90, 90, 180, 180], [1, 2] * 3]
    path, scan = written(tmp_path / "a.csv", rows_with(head, *columns)), tmp_path / "a.h5"
    asked = ["import", str(path), "--sample-rate-mhz", "50", "-o", str(scan), "--offset", "1=0,0"]
    assert main(asked) == 2
    assert "none is given for channel 2" in capsys.readouterr().err
    assert main([*asked, "--offset", "2=4,1"]) == 0
    found = open_scan(scan).columns
    assert found["x_mm"] == pytest.approx([10, 14, 10, 9, 10, 6])
    assert found["y_mm"] == pytest.approx([5, 6, 5, 9, 5, 4])
    assert found["probe_x_mm"].tolist() == [10.0] * 6
