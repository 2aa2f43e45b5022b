"""Files of other programs: every kind gives the same codes; each way one can be wrong is told."""

from __future__ import annotations

import pickle
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from scipy import io

from ascan import AscanError, ForeignLayout, Scan, open_scan, read_foreign
from ascan.commands.cli import main
from ascan.store.foreign_arrays import DatasetRows
from ascan.waveform.recording import STORED_TYPES

ROWS, SAMPLES = 5, 40
RATE = {"sample_rate_mhz": 50.0}


def codes(dtype: str = "int16") -> np.ndarray:
    return np.random.default_rng(5).integers(0, 100, (ROWS, SAMPLES)).astype(dtype)


def read_as(path: Path, **layout: Any) -> Scan:
    return read_foreign(path, ForeignLayout(**layout), **RATE)


def holds(scan: Scan, wanted: np.ndarray) -> None:
    """Whole, in pieces, and one by one: the same codes in the same type, ready for the engine."""
    rows = scan.rows
    for size in (len(scan), 3, 1):
        blocks = [block for _, block in scan.blocks(size)]
        assert np.array_equal(np.concatenate(blocks), wanted, equal_nan=wanted.dtype.kind == "f")
        assert {block.dtype for block in blocks} == {rows.dtype} == {np.dtype(wanted.dtype.name)}
        assert all(block.flags.c_contiguous and block.dtype.isnative for block in blocks)
    scan.close()


@pytest.mark.parametrize("dtype", STORED_TYPES)
def test_npy(dtype: str, tmp_path: Path) -> None:
    wanted = codes(dtype)
    forms = {
        "plain": (wanted, ""),
        "big": (wanted.astype(np.dtype(dtype).newbyteorder(">")), ""),
        "fortran": (np.asfortranarray(wanted), "rows_first"),
        "samples": (np.ascontiguousarray(wanted.T), "samples_first"),
    }
    for name, (array, order) in forms.items():
        np.save(tmp_path / f"{name}.npy", array)
        holds(read_as(tmp_path / f"{name}.npy", order=order), wanted)
    before = (tmp_path / "plain.npy").read_bytes()
    read_as(tmp_path / "plain.npy").rows.read_block(0, 2)[:] = 0
    assert (tmp_path / "plain.npy").read_bytes() == before


@pytest.mark.parametrize("dtype", STORED_TYPES)
@pytest.mark.parametrize("byte_order", ["", "little", "big"])
@pytest.mark.parametrize(("skip_bytes", "row_header_bytes"), [(0, 0), (7, 0), (0, 3), (100, 16)])
def test_raw_bytes(
    dtype: str, byte_order: str, skip_bytes: int, row_header_bytes: int, tmp_path: Path
) -> None:
    wanted = codes(dtype)
    stored = wanted.astype(np.dtype(dtype).newbyteorder(">" if byte_order == "big" else "<"))
    rows = [b"\xaa" * row_header_bytes + row.tobytes() for row in stored]
    (tmp_path / "raw.bin").write_bytes(b"\x55" * skip_bytes + b"".join(rows))
    scan = read_as(
        tmp_path / "raw.bin",
        kind="binary",
        dtype=dtype,
        samples=SAMPLES,
        byte_order=byte_order,
        skip_bytes=skip_bytes,
        row_header_bytes=row_header_bytes,
    )
    holds(scan, wanted)


@pytest.mark.parametrize("dtype", STORED_TYPES)
def test_text(dtype: str, tmp_path: Path) -> None:
    wanted = codes(dtype)
    for delimiter in (",", ";", "\t", " "):
        path = tmp_path / "codes.csv"
        np.savetxt(path, wanted, delimiter=delimiter, fmt="%d", header="a\nb", comments="")
        layout = {"delimiter": delimiter, "skip_lines": 2, "dtype": dtype}
        holds(read_as(path, **layout), wanted)
        np.savetxt(path, wanted.T, delimiter=delimiter, fmt="%d", header="a\nb", comments="")
        holds(read_as(path, order="samples_first", **layout), wanted)


def test_text_keeps_nan_and_is_float_unless_stated(tmp_path: Path) -> None:
    wanted = codes("float64") / 7.0
    wanted[2, 3] = np.nan
    lines = [",".join(map(repr, row)) for row in wanted.tolist()]
    (tmp_path / "with_mark.txt").write_text("\ufeff" + "\r\n\r\n".join(lines), encoding="utf-8")
    holds(read_as(tmp_path / "with_mark.txt"), wanted)


@pytest.mark.parametrize("dtype", STORED_TYPES)
def test_mat(dtype: str, tmp_path: Path) -> None:
    wanted = codes(dtype)
    path = tmp_path / "waves.mat"
    io.savemat(path, {"waves": wanted.T, "name": "probe 7"}, do_compression=True)
    holds(read_as(path, order="samples_first"), wanted)
    holds(read_as(path, order="samples_first", dataset="waves"), wanted)


def test_whole_numbers_packed_into_a_smaller_type_keep_their_own(tmp_path: Path) -> None:
    """A variable of class double (6) whose values are stored as unsigned bytes (2)."""
    wanted = codes("float64")
    body = struct.pack("<IIII", 6, 8, 6, 0) + struct.pack("<IIii", 5, 8, ROWS, SAMPLES)
    body += struct.pack("<II8s", 1, 5, b"waves")
    body += struct.pack("<II", 2, wanted.size) + wanted.T.astype(np.uint8).tobytes()
    head = b"by hand".ljust(124) + struct.pack("<H2s", 0x0100, b"IM")
    (tmp_path / "a.mat").write_bytes(head + struct.pack("<II", 14, len(body)) + body)
    holds(read_as(tmp_path / "a.mat", order="rows_first"), wanted)


def hdf5(path: Path, user_block: int = 0, **datasets: Any) -> Path:
    with h5py.File(path, "w", userblock_size=user_block) as file:
        for name, values in datasets.items():
            file[f"deep/er/{name}"] = values
    return path


@pytest.mark.parametrize("dtype", [*STORED_TYPES, ">i2", ">f4"])
def test_hdf5(dtype: str, tmp_path: Path) -> None:
    wanted = codes(dtype)
    path = hdf5(tmp_path / "any.data", rows=wanted, columns=wanted.T, one=wanted[1], text="x")
    wanted = wanted.astype(np.dtype(dtype).name)
    holds(read_as(path, dataset="/deep/er/rows", order="rows_first"), wanted)
    holds(read_as(path, dataset="deep/er/columns", order="samples_first"), wanted)
    holds(read_as(path, dataset="deep/er/one"), wanted[1:2])


def test_a_mat_file_of_version_7_3_is_an_hdf5_file(tmp_path: Path) -> None:
    path = hdf5(tmp_path / "waves.mat", user_block=512, waves=codes())
    for kind in ("", "mat", "hdf5"):
        holds(read_as(path, kind=kind, order="rows_first"), codes())


def cube(path: Path, values: np.ndarray) -> Path:
    if path.suffix == ".h5":
        return hdf5(path, cube=values)
    if path.suffix == ".mat":
        io.savemat(path, {"cube": values})
    else:
        np.save(path, values)
    return path


@pytest.mark.parametrize("ending", [".h5", ".npy", ".mat"])
def test_three_axes_are_rows_with_their_places(ending: str, tmp_path: Path) -> None:
    values = np.random.default_rng(6).integers(-99, 99, (3, 4, SAMPLES)).astype(np.int16)
    wanted = values.reshape(12, SAMPLES)
    scan = read_as(cube(tmp_path / f"a{ending}", values), order="rows_first")
    for row in range(12):
        place = tuple(int(scan.columns[f"index_{k}"][row]) for k in range(2))
        assert np.array_equal(values[place], scan.rows.read_block(row, row + 1)[0])
    holds(scan, wanted)
    turned = cube(tmp_path / f"b{ending}", np.moveaxis(values, 2, 0))
    holds(read_as(turned, order="samples_first"), wanted)


def test_one_waveform_needs_no_order(tmp_path: Path) -> None:
    one = codes()[:1]
    io.savemat(tmp_path / "one.mat", {"one": one.T})
    np.save(tmp_path / "one.npy", one[0])
    np.savetxt(tmp_path / "one.csv", one.T, fmt="%d")
    holds(read_as(tmp_path / "one.mat"), one)
    holds(read_as(tmp_path / "one.npy"), one)
    holds(read_as(tmp_path / "one.csv", dtype="int16"), one)


@pytest.mark.parametrize("order", ["rows_first", "samples_first"])
def test_a_foreign_hdf5_is_not_loaded_whole(
    order: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is read of the dataset is no more than the rows that are asked for."""
    values = codes() if order == "rows_first" else codes().T
    read: list[int] = []
    whole = h5py.Dataset.__getitem__

    def counted(self: h5py.Dataset, where: Any, **more: Any) -> Any:
        part = whole(self, where, **more)
        read.append(np.size(part))
        return part

    monkeypatch.setattr(h5py.Dataset, "__getitem__", counted)
    scan = read_as(hdf5(tmp_path / "any.h5", waves=values), order=order)
    assert isinstance(scan.rows, DatasetRows)
    assert read == []
    assert np.array_equal(scan.rows.read_block(1, 3), codes()[1:3])
    assert read == [2 * SAMPLES]
    scan.close()


def test_meaning_start_and_columns_are_the_callers(tmp_path: Path) -> None:
    np.save(tmp_path / "a.npy", codes("uint8"))
    scan = read_foreign(
        tmp_path / "a.npy",
        start_time_us=np.arange(5.0),
        columns={"x_mm": np.arange(5.0)},
        full_scale=100.0,
        zero_code=50.0,
        gated_only=True,
        **RATE,
    )
    same = Scan.from_array(
        codes("uint8"), full_scale=100.0, zero_code=50.0, gated_only=True, **RATE
    )
    assert scan.recording == same.recording
    assert scan.start_time_us.tolist() == scan.columns["x_mm"].tolist() == [0, 1, 2, 3, 4]
    with pytest.raises(AscanError, match="unknown argument 'gain'"):
        read_foreign(tmp_path / "a.npy", gain=3.0, **RATE)


RAW = {"kind": "binary", "dtype": "int16", "samples": SAMPLES}


def write(path: Path, content: Any) -> None:
    """Write bytes, text, an array, or what a function writes."""
    if callable(content):
        content(path)
    elif isinstance(content, bytes):
        path.write_bytes(content)
    elif isinstance(content, str):
        path.write_text(content)
    else:
        np.save(path, content)


def archive(path: Path) -> None:
    with path.open("wb") as file:
        np.savez(file, waveforms=codes())


def mat(**variables: Any) -> Callable[[Path], None]:
    return lambda path: io.savemat(path, variables)


def h5(**datasets: Any) -> Callable[[Path], None]:
    return lambda path: hdf5(path, **datasets) and None


OBJECTS = np.array(["a", {}], dtype=object)
LINE = ",".join(["1"] * 9)
WRONG: list[tuple[str, Any, dict[str, Any], str]] = [
    ("a.npy", b"", {}, "is empty"),
    ("a.bin", codes().tobytes(), {}, "does not show what it is; allowed: npy, text"),
    ("a.npy", archive, {}, "needs no import"),
    ("a.npy", pickle.dumps(codes()), {}, "does not show what it is"),
    ("a.npy", pickle.dumps(codes()), {"kind": "npy"}, "cannot be read as .npy"),
    ("a.npy", OBJECTS, {}, "cannot be read as .npy (Array can't be memory-mapped: Python objects"),
    ("a.npy", codes("complex128"), {}, "holds samples of type complex128; allowed: int8"),
    ("a.npy", codes("int64"), {}, "holds samples of type int64"),
    ("a.npy", np.zeros((2, 20), [("a", "i2")]), {}, "holds samples of type void16"),
    ("a.npy", np.array(["x"] * 20), {}, "holds samples of type str32"),
    ("a.npy", np.zeros((2, 2, 2, 20)), {}, "has 4 axes; allowed: 1 to 3"),
    ("a.npy", np.zeros((2, 0)), {}, "a.npy"),
    ("a.npy", np.zeros((4, 5)), {}, "holds 4 waveforms of 5 samples"),
    ("a.npy", codes(), {"samples": 40}, "is read as npy, of which 'samples' says nothing"),
    ("a.npy", b"\x93NUMPY\x01\x00 cut", {}, "cannot be read as .npy"),
    ("a.bin", codes().tobytes() + b"x", RAW, "5 rows of 80 bytes, and 1 bytes over"),
    ("a.bin", codes().tobytes(), RAW | {"skip_bytes": 401}, "0 rows of 80 bytes"),
    ("a.bin", codes().tobytes(), RAW | {"row_header_bytes": 1}, "4 rows of 81 bytes, and 76"),
    ("a.bin", b"short", RAW, "holds 5 bytes: 0 to skip, 0 rows of 80 bytes, and 5 bytes over"),
    ("a.bin", b"short", RAW | {"samples": 10**15}, "0 rows"),
    ("a.bin", b"short", {"kind": "binary"}, "state dtype and samples"),
    ("a.bin", b"short", RAW | {"order": "rows_first"}, "of which 'order' says nothing"),
    ("a.csv", f"{LINE}\n{LINE},1\n", {}, "a.csv: line 2: has 10 cells, the first has 9"),
    ("a.csv", f"time\n{LINE}\n", {}, "line 2: has 9 cells, the first has 1"),
    ("a.csv", f"{LINE}\n{LINE},\n", {}, "line 2: has 10 cells, the first has 9"),
    ("a.csv", LINE.replace(",", ";"), {"delimiter": ","}, "state the delimiter"),
    ("a.csv", f"1_0,{LINE}", {}, "line 1, cell 1: is '1_0'"),
    ("a.csv", f"1+2j,{LINE}", {}, "is '1+2j'"),
    ("a.csv", f"-0,000977,{LINE}", {}, "cell 2: is '000977'; allowed: numbers, and nan"),
    ("a.csv", f"{LINE}\n1.5,{LINE[2:]}", {"dtype": "int8"}, "line 2, cell 1: is 1.5"),
    ("a.csv", f"128,{LINE}", {"dtype": "int8"}, "is 128; allowed: whole numbers from -128 to 127"),
    ("a.csv", f"nan,{LINE}", {"dtype": "int16"}, "line 1, cell 1: is nan"),
    ("a.csv", f"{LINE}\n", {"skip_lines": 1}, "holds no numbers after 1 lines"),
    ("a.csv", b"\xff\xfe\x00", {}, "is not a text file in UTF-8"),
    ("a.mat", b"no such thing" * 20, {}, "cannot be read as .mat"),
    ("a.mat", mat(a=codes()), {}, "5 waveforms of 40 samples (rows_first) or 40 of 5"),
    ("a.mat", mat(a=codes(), b=codes()), {}, "holds 2 arrays, and no dataset is named; allowed: a"),
    ("a.mat", mat(a=codes()), {"dataset": "b"}, "b: is missing; allowed: a (5, 40) int16"),
    ("a.mat", mat(a=OBJECTS), {}, "holds no array of numbers"),
    ("a.mat", mat(a=OBJECTS, b=codes()), {"dataset": "a"}, "a: is of type cell"),
    ("a.mat", mat(a=codes("complex128")), {"order": "rows_first"}, "of type complex128"),
    ("a.h5", h5(a=codes()), {}, "/deep/er/a: has shape (5, 40), and may hold 5 waveforms of 40"),
    ("a.h5", h5(a=codes(), b=codes().T), {}, "/deep/er/a (5, 40) int16, /deep/er/b (40, 5) int16"),
    ("a.h5", h5(a=codes()), {"dataset": "/deep/b"}, "/deep/b: is missing"),
    ("a.h5", h5(a=codes()), {"dataset": "/deep/er"}, "/deep/er: is no dataset"),
    ("a.h5", h5(a=codes()), {"dataset": "/"}, "a.h5"),
    ("a.h5", h5(a="text"), {}, "holds no array of numbers"),
    ("a.h5", h5(a=["text"] * 9), {"dataset": "/deep/er/a"}, "holds samples of type object"),
    ("a.h5", h5(a=codes("complex64")), {"order": "rows_first"}, "of type complex64"),
    ("a.h5", b"\x89HDF\r\n\x1a\n cut", {}, "a.h5"),
    ("a.h5", b"text", {"kind": "hdf5"}, "is no HDF5 file"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "content", "layout", "told"), WRONG)
def test_wrong_files(
    name: str, content: Any, layout: dict[str, Any], told: str, tmp_path: Path
) -> None:
    write(tmp_path / name, content)
    with pytest.raises(AscanError) as caught:
        read_as(tmp_path / name, **layout)
    assert told in str(caught.value)


def test_no_file_and_a_folder(tmp_path: Path) -> None:
    for path in (tmp_path / "nothing.npy", tmp_path):
        with pytest.raises(AscanError, match="is no file"):
            read_foreign(path, **RATE)


@pytest.mark.parametrize(
    ("layout", "told"),
    [
        ({"kind": "picture"}, "kind: is 'picture'; allowed: npy, text, mat, hdf5, binary"),
        ({"order": "fortran"}, "order: is 'fortran'; allowed: rows_first, samples_first"),
        ({"dtype": "int12"}, "dtype: is 'int12'; allowed: int8"),
        ({"byte_order": "middle"}, "byte_order: is 'middle'"),
        ({"samples": 2.5}, "samples: is 2.5; allowed: a whole number"),
        ({"skip_bytes": -1}, "skip_bytes: is -1; allowed: 0 or more"),
    ],
)
def test_wrong_layouts(layout: dict[str, Any], told: str) -> None:
    with pytest.raises(AscanError) as caught:
        ForeignLayout(**layout)
    assert told in str(caught.value)


def test_pointers_to_other_files_are_refused(tmp_path: Path) -> None:
    """Soft and external links, on the way and at its end, virtual datasets, external storage."""
    other = hdf5(tmp_path / "other.h5", waves=codes())
    with h5py.File(tmp_path / "any.h5", "w") as file:
        file["hidden"] = codes()
        file["soft"] = h5py.SoftLink("/hidden")
        file["external"] = h5py.ExternalLink("other.h5", "/deep/er/waves")
        file["group"] = h5py.ExternalLink("other.h5", "/deep")
        layout = h5py.VirtualLayout((ROWS, SAMPLES), "i2")
        layout[:] = h5py.VirtualSource(str(other), "deep/er/waves", (ROWS, SAMPLES))
        file.create_virtual_dataset("virtual", layout)
        file.create_dataset(
            "storage", (ROWS, SAMPLES), "i2", external=[(str(tmp_path / "raw.bin"), 0, 400)]
        )
    for name in ("soft", "external", "group/er/waves", "virtual", "storage"):
        with pytest.raises(AscanError, match=r"somewhere else|in another file"):
            read_as(tmp_path / "any.h5", dataset=name, order="rows_first")
    holds(read_as(tmp_path / "any.h5", dataset="hidden", order="rows_first"), codes())


def test_adopt(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    raw = codes("uint8").astype(">u2")
    Path("raw.bin").write_bytes(b"head" + b"".join(b"r" + row.tobytes() for row in raw))
    options = "--kind binary --dtype uint16 --samples 40 --skip-bytes 4 --row-header-bytes 1"
    meaning = "--start-us 2.5 --full-scale 200 --zero-code 0 --peak-held --gated-only"
    command = f"adopt raw.bin {options} --big-endian --sample-rate-mhz 50 {meaning} -o raw.h5"
    assert main(command.split()) == 0
    assert "5 waveforms of 40 samples written to raw.h5" in capsys.readouterr().out
    scan = open_scan("raw.h5")
    wanted = Scan.from_array(
        raw, full_scale=200.0, zero_code=0.0, peak_held=True, gated_only=True, **RATE
    )
    assert scan.recording == wanted.recording
    assert scan.start_time_us.tolist() == [2.5] * ROWS
    holds(scan, codes("uint16") % 256)
    assert main(["info", "raw.h5"]) == 0
    assert "peak-held, of a gate only" in capsys.readouterr().out

    np.savetxt("t.txt", codes().T, fmt="%d", delimiter="\t", header="x", comments="")
    text = "adopt t.txt --delimiter tab --skip-lines 1 --dtype int16 --order samples-first"
    assert main(f"{text} --sample-rate-mhz 50 -o t.h5".split()) == 0
    holds(open_scan("t.h5"), codes())

    hdf5(Path("two.h5"), a=codes(), b=codes())
    for options, told in {
        "two.h5": "holds 2 arrays, and no dataset is named; allowed: /deep/er/a (5, 40) int16, ",
        "two.h5 --dataset deep/er/a": "state the order",
        "none.h5": "none.h5: is no file",
        "raw.bin": "state its kind",
        "raw.bin --kind text": "raw.bin: is not a text file",
        "t.txt --delimiter tab --skip-lines 1 --sample-rate-mhz 0": "sample_rate_mhz: is 0",
        "raw.bin --replace -o raw.bin": "is an input of this command",
    }.items():
        assert main(f"adopt -o n.h5 --sample-rate-mhz 50 {options}".split()) == 2
        said = capsys.readouterr().err
        assert told in said
        assert said.count("\n") == 1
        assert not Path("n.h5").exists()
