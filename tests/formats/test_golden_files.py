"""Files of every format version since the first, written by the code of its day: read for ever.

`benches/golden.py` made them; what they hold is checked against the values that the code of that
day had in memory, and against the truth of the signals, never against this code's own output.
Of the newest version the block is there, too: calibrated and measured again, it must give the same.
"""

from __future__ import annotations

import zipfile
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import ascan
from ascan import Flag, Procedure, load_calibration, load_readings, measure, open_scan
from ascan.base.flags import is_fatal
from ascan.base.old_names import columns_called

GOLDEN = Path(__file__).parent / "golden"
VERSIONS = ("1.0", "1.1", "1.2", "1.3", "1.4", "1.5", "1.6", "1.7", "2.0", "2.1")
EIGHTH_MM = 5.92 / 5.0 / 8.0


def names(version: str) -> list[str]:
    with zipfile.ZipFile(GOLDEN / f"{version}.zip") as packed:
        return sorted({name.split("/")[0] for name in packed.namelist()})


CASES = [(version, name) for version in VERSIONS for name in names(version)]


@pytest.fixture(params=CASES, ids=lambda case: " ".join(case), scope="module")
def files(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the files of one version and one way of measuring."""
    version, name = request.param
    folder = tmp_path_factory.mktemp("golden")
    # Versions after 2.0 were given its signals.
    for held in ("2.0", version) if version > "2.0" else (version,):
        with zipfile.ZipFile(GOLDEN / f"{held}.zip") as packed:
            own = [one for one in packed.namelist() if one.startswith(f"{name}/")]
            packed.extractall(folder, own)
    return folder / name


def test_every_version_since_the_first_is_there() -> None:
    assert {path.stem for path in GOLDEN.glob("*.zip")} == set(VERSIONS)
    assert all(len(names(version)) >= 2 for version in VERSIONS)


def test_readings_hold_what_was_in_memory(files: Path) -> None:
    readings = load_readings(files / "readings.h5")
    with np.load(files / "columns.npz") as kept:
        assert len(kept.files) == len(readings.columns)
        for name in kept.files:
            today = [each for each in columns_called(name) or [name] if each in readings.columns]
            np.testing.assert_array_equal(readings.columns[today[0]], kept[name], err_msg=name)


def test_calibrations_keep_their_identity(files: Path) -> None:
    """Readings, joined scans and series of checks name a calibration by its digest."""
    digest = (files / "digest").read_text()
    assert load_calibration(files / "calibration.h5").digest == digest
    told = load_readings(files / "readings.h5").provenance
    assert told["calibration"]["digest"] == digest


def test_they_measure_as_they_did(files: Path) -> None:
    """An old calibration measures: right where the code of its day was, or marked, or refused."""
    scan = open_scan(files / "walls.h5")
    procedure = Procedure.from_text((files / "procedure.toml").read_text())
    readings = measure(scan, procedure, load_calibration(files / "calibration.h5"))
    true_mm = scan.columns["true_mm"]
    refused = is_fatal(readings.flags)
    off = np.abs(readings.thickness_mm - true_mm)
    right = off < np.maximum(EIGHTH_MM, 3.0 * readings.u_on_block_mm)
    assert (right | refused | (readings.flags != 0)).all()
    with np.load(files / "columns.npz") as kept:
        then = np.abs(kept["thickness_mm"] - true_mm) < EIGHTH_MM
    assert (right >= then).all()
    assert (readings.flags & np.uint32(Flag.CALIBRATION_IN_DOUBT) == 0).any()


NEWEST = [case for case in CASES if case[0] == VERSIONS[-1]]


@pytest.mark.parametrize("files", NEWEST, ids=lambda case: case[1], indirect=True)
def test_the_same_signals_give_the_same_answer(files: Path) -> None:
    """Calibrated and measured again, within what another processor's last bits do to a fit."""
    procedure = Procedure.from_text((files / "procedure.toml").read_text())
    block, known_mm = open_scan(files / "block.h5"), np.load(files / "known_mm.npy")
    then = load_calibration(files / "calibration.h5")
    now = ascan.calibrate(block, procedure, known_mm, u_known_mm=0.005)
    for part in ("fit", "table", "steps", "arrivals", "record_model", "templates", "learned"):
        assert_same(getattr(now, part), getattr(then, part), part)
    for name in set(then.conditions) - {"made", "scan"}:
        assert_same(now.conditions[name], then.conditions[name], name)
    readings = measure(open_scan(files / "walls.h5"), procedure, now).columns
    with np.load(files / "columns.npz") as columns:
        assert_same(readings, dict(columns), "column")
    if (files / "misleading.h5").exists():
        readings = measure(open_scan(files / "misleading.h5"), procedure, now).columns
        with np.load(files / "misleading_columns.npz") as columns:
            assert_same(readings, dict(columns), "column of misleading signals")


def assert_same(now: Any, then: Any, name: str = "") -> None:
    if is_dataclass(then):
        for each in fields(then):
            assert_same(getattr(now, each.name), getattr(then, each.name), each.name)
    elif isinstance(then, Mapping):
        assert set(now) == set(then), name
        for key, kept in then.items():
            assert_same(now[key], kept, f"{name} {key}")
    elif isinstance(then, np.ndarray) and then.dtype.kind in "iub":
        np.testing.assert_array_equal(now, then, err_msg=name)
    elif isinstance(then, (float, np.ndarray)):
        # Times in microseconds, walls in mm: picoseconds and nanometres.
        np.testing.assert_allclose(now, then, rtol=1e-4, atol=1e-6, err_msg=name)
    elif isinstance(then, str):
        assert now == then, name
    else:
        assert type(now) is type(then), name


def test_a_changed_calibration_is_told_in_every_version(files: Path) -> None:
    import h5py

    changed = files / "changed.h5"
    changed.write_bytes((files / "calibration.h5").read_bytes())
    with h5py.File(changed, "r+") as file:
        kept = "fit/velocity_mm_per_us" if "fit" in file else "velocity_mm_per_us"
        file[kept][()] *= 1.001
    with pytest.raises(ascan.AscanError, match="was changed since it was written"):
        load_calibration(changed)
