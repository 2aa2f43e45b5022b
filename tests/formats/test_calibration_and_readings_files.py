"""Calibration and readings files: round trips, damage, provenance, digests."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import h5py
import numpy as np
import pytest

import ascan
from ascan import AscanError, Flag
from ascan.base.flags import FATAL
from ascan.examples import plate_example, plate_scan

THICKNESS = np.linspace(3.0, 22.0, 50)


@pytest.fixture
def measured(tmp_path: Path) -> Path:
    _, procedure, calibration = plate_example(8.0)
    scan = plate_scan(THICKNESS)
    scan = ascan.Scan(
        scan.rows, scan.recording, scan.start_time_us, {"point": np.array(["p"] * 50)}, "plates"
    )
    ascan.measure_to_file(scan, procedure, calibration, tmp_path / "readings.h5")
    return tmp_path / "readings.h5"


def test_calibration_round_trip(tmp_path: Path) -> None:
    _, _, calibration = plate_example(8.0)
    ascan.save_calibration(calibration, tmp_path / "c.h5")
    loaded = ascan.load_calibration(tmp_path / "c.h5")
    assert loaded.digest == calibration.digest
    assert loaded.lines() == calibration.lines()
    assert dict(loaded.conditions) == dict(calibration.conditions)
    assert dict(loaded.health) == dict(calibration.health)
    assert np.array_equal(loaded.covariance, calibration.covariance)


@pytest.mark.parametrize("name", ["fit/zero_us", "fit/covariance", "steps/residual_mm"])
def test_a_changed_calibration_is_refused(name: str, tmp_path: Path) -> None:
    _, _, calibration = plate_example(8.0)
    ascan.save_calibration(calibration, tmp_path / "c.h5")
    with h5py.File(tmp_path / "c.h5", "a") as file:
        item = file[name]
        item[...] = item[...] + 0.01
    with pytest.raises(AscanError, match="changed since it was written"):
        ascan.load_calibration(tmp_path / "c.h5")
    with h5py.File(tmp_path / "c.h5", "a") as file:
        del file[name]
    with pytest.raises(AscanError, match="is missing"):
        ascan.load_calibration(tmp_path / "c.h5")


def test_readings_in_a_file_are_the_readings_in_memory(measured: Path) -> None:
    _, procedure, calibration = plate_example(8.0)
    memory = ascan.measure(plate_scan(THICKNESS), procedure, calibration)
    loaded = ascan.load_readings(measured)
    assert list(loaded.columns) == ["point", *memory.columns]
    for name, column in memory.columns.items():
        assert np.array_equal(column, loaded.columns[name], equal_nan=column.dtype.kind == "f")


def test_provenance_holds_what_a_repetition_needs(measured: Path) -> None:
    _, procedure, calibration = plate_example(8.0)
    provenance = ascan.load_readings(measured).provenance
    assert provenance["procedure"] == procedure.text
    assert provenance["calibration"]["digest"] == calibration.digest
    assert set(provenance["software"]) == {"python", "ascan", "numpy", "scipy", "numba", "h5py"}
    assert provenance["input"]["rows"] == 50
    again = ascan.Procedure.from_text(provenance["procedure"])
    readings = ascan.measure(plate_scan(THICKNESS), again, calibration)
    kept = ascan.load_readings(measured).thickness_mm
    assert np.array_equal(readings.thickness_mm, kept, equal_nan=True)


def test_waveform_digest_is_that_of_the_bytes(measured: Path) -> None:
    import hashlib

    block = plate_scan(THICKNESS).rows.read_block(0, 50)
    expected = hashlib.sha256(block.astype("<f4").tobytes()).hexdigest()
    assert ascan.load_readings(measured).provenance["input"]["waveforms_sha256"] == expected


def test_flags_column_explains_itself(measured: Path) -> None:
    with h5py.File(measured) as file:
        attributes = dict(file["columns/flags"].attrs)
    named = dict(
        zip(attributes["flag_meanings"].split(), attributes["flag_masks"].tolist(), strict=True)
    )
    assert named == {flag.name.lower(): int(flag) for flag in Flag}
    severities = dict(zip(named, attributes["flag_severities"].split(), strict=True))
    assert {name for name, told in severities.items() if told == "fatal"} == {
        flag.name.lower() for flag in Flag if int(flag) & FATAL
    }


def test_changed_readings_are_refused(measured: Path) -> None:
    with h5py.File(measured, "a") as file:
        file["columns/thickness_mm"][3] += 0.5
    with pytest.raises(AscanError, match="other values than were written"):
        ascan.load_readings(measured)


def test_changed_rows_are_named_by_the_block_that_holds_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, procedure, calibration = plate_example(8.0)
    scan = plate_scan(np.linspace(5.0, 18.0, 300))
    monkeypatch.setattr("ascan.engine.blocks.BLOCK_BYTES", 1)
    path = tmp_path / "readings.h5"
    ascan.measure_to_file(scan, procedure, calibration, path)
    with h5py.File(path, "a") as file:
        ends = file["blocks/end_row"][:].tolist()
        file["columns/u_mm"][ends[0]] *= 1.0001
    assert len(ends) > 1
    assert ends[-1] == 300
    with pytest.raises(AscanError, match=rf"in rows {ends[0]}\.\.{ends[1] - 1}; measure anew"):
        ascan.load_readings(path)


def test_readings_of_one_block_name_what_they_share(measured: Path) -> None:
    _, _, calibration = plate_example(8.0)
    whose = {source.name: source.of for source in ascan.load_readings(measured).shared}
    assert whose["calibration_velocity"] == f"calibration {calibration.digest}"
    assert whose["component_velocity"] == f"component on block {calibration.block_digest}"
    assert whose["couplant"] == ""


def test_csv_has_every_row_and_reads_back(measured: Path, tmp_path: Path) -> None:
    readings = ascan.load_readings(measured)
    ascan.write_csv(readings, tmp_path / "r.csv")
    with (tmp_path / "r.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 50
    assert list(rows[0]) == [*readings.columns, "usability"]
    assert rows[0]["usability"] == "usable with care"
    back = np.array([float(row["thickness_mm"] or "nan") for row in rows])
    assert np.array_equal(back, readings.thickness_mm, equal_nan=True)
    assert rows[0]["flags"] == "outside_calibrated_range"


def test_identity_does_not_depend_on_the_block_size(
    measured: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, procedure, calibration = plate_example(8.0)
    scan = plate_scan(np.linspace(5.0, 18.0, 300))
    ascan.measure_to_file(scan, procedure, calibration, tmp_path / "whole.h5")
    monkeypatch.setattr("ascan.engine.blocks.BLOCK_BYTES", 1)
    ascan.measure_to_file(scan, procedure, calibration, tmp_path / "parts.h5")
    digests = [
        ascan.load_readings(tmp_path / f"{name}.h5").provenance["columns_sha256"]
        for name in ("whole", "parts")
    ]
    assert digests[0] == digests[1]


SLOW = """
import signal, sys, time
signal.signal(signal.SIGINT, signal.default_int_handler)
import numpy as np
import ascan
from ascan.examples import plate_example, plate_scan
_, procedure, calibration = plate_example(8.0)
scan = plate_scan(np.linspace(5.0, 18.0, 400))
def slow(done, total):
    print("block", flush=True)
    time.sleep(0.5)
ascan.measure_to_file(scan, procedure, calibration, sys.argv[1], replace=True, progress=slow)
"""


@pytest.mark.parametrize("kill", [signal.SIGKILL, signal.SIGINT])
def test_killed_while_writing_leaves_the_old_file(kill: signal.Signals, tmp_path: Path) -> None:
    path = tmp_path / "readings.h5"
    path.write_text("the readings of yesterday")
    process = subprocess.Popen(
        [sys.executable, "-c", SLOW, str(path)], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    )
    assert process.stdout is not None
    assert process.stdout.readline() == b"block\n"
    time.sleep(0.1)
    os.kill(process.pid, kill)
    process.wait()
    process.stdout.close()
    assert path.read_text() == "the readings of yesterday"


def test_a_failure_while_writing_leaves_nothing(tmp_path: Path) -> None:
    _, procedure, calibration = plate_example(8.0)

    def fail(done: int, total: int) -> None:
        raise RuntimeError("power cut")

    with pytest.raises(RuntimeError, match="power cut"):
        ascan.measure_to_file(
            plate_scan(THICKNESS), procedure, calibration, tmp_path / "r.h5", progress=fail
        )
    assert list(tmp_path.iterdir()) == []


def test_provenance_version_is_written(measured: Path) -> None:
    from ascan.store.provenance import PROVENANCE_VERSION

    with h5py.File(measured) as file:
        written = json.loads(file["provenance"].asstr()[()])
    assert written["provenance_version"] == PROVENANCE_VERSION
