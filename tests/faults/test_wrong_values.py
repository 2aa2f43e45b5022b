"""Every public call with every wrong value: right, or refused in one voice; nothing hangs.

What is wrong: other types and shapes, views of all kinds, files that are none, tables beyond all
sense, a disk that fails while it is written.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

import ascan
from ascan import AscanError, Procedure, Readings, Scan
from ascan.examples import PROCEDURE, STEPS_MM, plate_example, plate_scan
from ascan.store.series import load_series
from ascan.store.sidecar import load_sidecar
from ascan.survey import places_of

WALLS_MM = np.linspace(6.0, 12.0, 12)
CODES = plate_scan(WALLS_MM).rows.read_block(0, 12)
_, HOW, FIT = plate_example(thickness_mm=8.0)
READ_MM = ascan.measure(plate_scan(WALLS_MM), HOW, FIT).thickness_mm


def scan_of(codes: Any, **more: Any) -> Scan:
    return Scan.from_array(codes, sample_rate_mhz=100.0, **more)


def mapped(tmp_path: Path) -> Any:
    out = np.memmap(tmp_path / "map", np.float32, "w+", shape=CODES.shape)
    out[:] = CODES
    return out


def read_only() -> Any:
    out = CODES.copy()
    out.flags.writeable = False
    return out


VIEWS: dict[str, Callable[[Path], Any]] = {
    "negative strides": lambda _: CODES[:, ::-1][:, ::-1],
    "columns first": lambda _: np.asfortranarray(CODES),
    "every other row": lambda _: np.repeat(CODES, 2, axis=0)[::2],
    "the other byte order": lambda _: CODES.astype(">f4"),
    "float64": lambda _: CODES.astype(np.float64),
    "mapped": mapped,
    "read only": lambda _: read_only(),
    "a list": lambda _: CODES.tolist(),
    "no value masked": lambda _: np.ma.masked_array(CODES, mask=CODES > 2.0),
}


@pytest.mark.parametrize("view", VIEWS)
def test_the_same_samples_in_any_array_are_read_the_same(view: str, tmp_path: Path) -> None:
    read = ascan.measure(scan_of(VIEWS[view](tmp_path)), HOW, FIT).thickness_mm
    assert np.abs(read - READ_MM).max() < 1e-6


NONE = [None, "abc", b"abc", {}, {1}, 3.0, 1j, object(), [[1, 2], [3]], np.float32(1)]
WAVES: list[Any] = [
    *NONE, CODES.astype(object), CODES.astype(complex), CODES.astype(np.float16),
    CODES.astype(np.longdouble), CODES.astype(np.int64), CODES > 0.0, CODES.astype(str),
    np.zeros((2, 100), [("a", "f4")]), CODES[:0], CODES[:, :1], CODES[None],
    np.ma.masked_array(CODES, mask=CODES > 0.5),
]  # fmt: skip
NUMBERS: list[Any] = [None, "3", b"3", {}, 1j, object(), np.nan, np.inf, [1.0] * 5, [[1.0]], True]
STEPS: list[Any] = [*NONE[:8], [None] * 3, ["5", "10", "20"], STEPS_MM + 0j, STEPS_MM[None]]
COLUMNS: list[Any] = [
    [1, 2], "abc", {3: np.zeros(12)}, {"x_mm": None}, {"x_mm": np.zeros((12, 2))},
    {"x_mm": [object()] * 12}, {"x_mm": np.zeros(12, complex)}, {"a/b": np.zeros(12)},
]  # fmt: skip


def calls() -> list[Any]:
    """Return every call with every wrong value, with a name for each."""
    block = plate_scan(STEPS_MM)
    every: dict[str, tuple[Callable[[Any], object], list[Any]]] = {
        "waveforms": (scan_of, WAVES),
        "rate": (lambda v: Scan.from_array(CODES, sample_rate_mhz=v), NUMBERS),
        "start": (lambda v: scan_of(CODES, start_time_us=v), NUMBERS),
        "full scale": (lambda v: scan_of(CODES, full_scale=v), [*NUMBERS[1:], 0, -1, 1e308]),
        "columns": (lambda v: scan_of(CODES, columns=v), COLUMNS),
        "known": (lambda v: ascan.calibrate(block, HOW, v), STEPS),
        "u": (lambda v: ascan.calibrate(block, HOW, STEPS_MM, u_known_mm=v), NUMBERS[1:]),
        "one": (
            ascan.prepare(HOW, FIT, dtype="float32", sample_rate_mhz=100.0).measure_one,
            [*WAVES, CODES[0].astype(np.float64), CODES[0].astype(object), CODES[0][:3]],
        ),
        "scan": (lambda v: ascan.measure(v, HOW, FIT), [*NONE, CODES]),
        "procedure": (lambda v: ascan.measure(block, v, FIT), NONE),
        "calibration": (lambda v: ascan.measure(block, HOW, v), NONE),
        "text": (Procedure.from_text, [*NONE, "a = " + "[" * 5000, "a = 1" + "0" * 5000]),
        "readings": (Readings, [*NONE, {}, {"a": np.zeros(3)}]),
        "open": (ascan.open_scan, [*NONE, "", "a\0b", "a" * 5000]),
        "load": (ascan.load_readings, [*NONE, "", "a\0b", "a" * 5000]),
        "load procedure": (ascan.load_procedure, [*NONE, "", "a\0b", "a" * 5000]),
        "foreign": (ascan.read_foreign, [*NONE, "", "a\0b", "a" * 5000]),
        "save": (
            lambda v: ascan.save_calibration(FIT, v),
            [None, *NONE[2:], "", "a\0b", "a" * 5000],
        ),
        "save what": (lambda v: ascan.save_calibration(v, "c.h5"), NONE),
        "save scan": (lambda v: ascan.save_scan(v, "c.h5"), NONE),
        "write": (lambda v: ascan.write_csv(v, "c.csv"), NONE),
    }
    return [
        pytest.param(call, value, id=f"{name} {k}")
        for name, (call, values) in every.items()
        for k, value in enumerate(values)
    ]


@pytest.mark.parametrize(("call", "value"), calls())
@pytest.mark.filterwarnings("error")
def test_a_wrong_value_is_refused_in_words(
    call: Callable[[Any], object], value: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(AscanError) as told:
        call(value)
    assert told.value.place
    assert told.value.problem
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def pipe(tmp_path: Path) -> Path:
    if not hasattr(os, "mkfifo"):
        pytest.skip("this system has no pipes among its files")
    os.mkfifo(tmp_path / "pipe")
    return tmp_path / "pipe"


READERS: list[Callable[[Path], object]] = [
    ascan.open_scan, ascan.load_calibration, ascan.load_readings, ascan.load_procedure,
    ascan.read_foreign, load_sidecar, load_series,
]  # fmt: skip


@pytest.mark.parametrize("reader", READERS)
def test_what_is_no_file_is_not_waited_for(
    reader: Callable[[Path], object], pipe: Path, tmp_path: Path
) -> None:
    """A pipe nobody writes to would be waited for for ever."""
    for path in (pipe, tmp_path, tmp_path / "nowhere"):
        with pytest.raises(AscanError):
            reader(path)


def test_nothing_takes_the_place_of_a_pipe_or_a_folder(pipe: Path, tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    for path in (pipe, tmp_path / "folder"):
        with pytest.raises(ascan.FileError, match="a folder, a device or a pipe"):
            ascan.save_calibration(FIT, path, replace=True)
    assert pipe.is_fifo()
    assert sorted(one.name for one in tmp_path.iterdir()) == ["folder", "pipe"]


def test_a_written_table_has_an_end(tmp_path: Path) -> None:
    path = tmp_path / "large.toml"
    with path.open("wb") as file:
        file.truncate(2**40)
    with pytest.raises(ascan.LimitError, match="1099511627776 bytes"):
        ascan.load_procedure(path)


def test_a_byte_order_mark_is_no_part_of_a_procedure(tmp_path: Path) -> None:
    path = tmp_path / "marked.toml"
    path.write_bytes(b"\xef\xbb\xbf" + PROCEDURE.encode())
    assert ascan.load_procedure(path).title == HOW.title


def test_places_in_words_are_refused() -> None:
    readings = ascan.measure(plate_scan(WALLS_MM), HOW, FIT)
    named = {**readings.columns, "x_mm": np.array(list("abcdefghijkl")), "y_mm": np.zeros(12)}
    with pytest.raises(AscanError, match="x_mm: is of type <U1; allowed: numbers, in mm"):
        places_of(Readings(named, readings.provenance))


WRITERS: dict[str, Callable[[Path], object]] = {
    "calibration": lambda path: ascan.save_calibration(FIT, path, replace=True),
    "scan": lambda path: ascan.save_scan(plate_scan(WALLS_MM), path, replace=True),
    "readings": lambda path: ascan.measure_to_file(
        plate_scan(WALLS_MM), HOW, FIT, path, replace=True
    ),
    "table": lambda path: ascan.write_csv(
        ascan.measure(plate_scan(WALLS_MM), HOW, FIT), path, replace=True
    ),
}


@pytest.mark.parametrize(
    "number", [errno.EIO, errno.ENOSPC, errno.ESTALE, errno.EDQUOT, errno.EROFS]
)
@pytest.mark.parametrize("where", ["fsync", "replace"])
@pytest.mark.parametrize("kind", WRITERS)
def test_a_disk_that_fails_leaves_the_earlier_file_whole(
    kind: str, where: str, number: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "file"
    WRITERS[kind](path)
    before = path.read_bytes()

    def failing(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number))

    with monkeypatch.context() as patched:
        if where == "fsync":
            patched.setattr(os, "fsync", failing)
        else:
            patched.setattr(Path, "replace", failing)
        with pytest.raises(ascan.FileError, match=os.strerror(number)):
            WRITERS[kind](path)
    assert path.read_bytes() == before
    assert [one.name for one in tmp_path.iterdir()] == ["file"]


def test_hdf5_s_own_words_are_not_a_user_s(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It says of a full disk, among much else: errno = 28."""

    def full(*_: object, **__: object) -> None:
        raise OSError("Can't write data (file write failed: time = now, errno = 28, error message")

    with monkeypatch.context() as patched:
        patched.setattr(h5py.Group, "create_dataset", full)
        with pytest.raises(ascan.FileError, match=r"cannot be written \(No space left on device\)"):
            ascan.save_scan(plate_scan(WALLS_MM), tmp_path / "s.h5")
    assert list(tmp_path.iterdir()) == []
