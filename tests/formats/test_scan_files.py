"""Scan files: round trips of every stored type, and each way a file can be wrong."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from ascan import AscanError, Scan, open_scan, save_scan
from ascan.waveform.recording import FORMS, MEANING, STORED_TYPES


def example(dtype: str = "int16") -> Scan:
    rng = np.random.default_rng(4)
    waveforms = rng.integers(0, 100, (7, 300)).astype(dtype)
    columns = {
        "x_mm": np.arange(7.0),
        "point": np.array(["north", "süd", "", "d", "e", "f", "g"]),
        "channel": np.arange(7, dtype=np.int16),
        "good": np.arange(7) % 2 == 0,
    }
    return Scan.from_array(
        waveforms,
        sample_rate_mhz=62.5,
        start_time_us=np.linspace(0.0, 3.0, 7),
        columns=columns,
        full_scale=200.0,
        name="example",
    )


def same(left: Scan, right: Scan) -> None:
    assert left.recording == right.recording
    assert np.array_equal(left.start_time_us, right.start_time_us)
    assert list(left.columns) == list(right.columns)
    for name, column in left.columns.items():
        assert np.array_equal(column, right.columns[name]), name
        assert column.dtype.kind == right.columns[name].dtype.kind
    blocks = [scan.rows.read_block(0, len(scan)) for scan in (left, right)]
    assert blocks[0].dtype == blocks[1].dtype
    assert np.array_equal(*blocks)


@pytest.mark.parametrize("dtype", STORED_TYPES)
def test_hdf5_round_trip(dtype: str, tmp_path: Path) -> None:
    scan = example(dtype)
    save_scan(scan, tmp_path / "scan.h5")
    same(scan, open_scan(tmp_path / "scan.h5"))


@pytest.mark.parametrize("byte_order", ["<", ">"])
def test_npz_with_columns(byte_order: str, tmp_path: Path) -> None:
    scan = example()
    waveforms = scan.rows.read_block(0, 7).astype(f"{byte_order}i2")
    np.savez(
        tmp_path / "scan.npz",
        waveforms=waveforms,
        sample_rate_mhz=62.5,
        start_time_us=scan.start_time_us,
        full_scale=200.0,
        **scan.columns,
    )
    same(scan, open_scan(tmp_path / "scan.npz"))


@pytest.mark.parametrize("form", FORMS)
def test_the_form_of_the_record_is_kept(form: str, tmp_path: Path) -> None:
    scan = Scan.from_array(np.zeros((4, 100), np.int16), sample_rate_mhz=50.0, **{form: True})
    save_scan(scan, tmp_path / "scan.h5")
    same(scan, open_scan(tmp_path / "scan.h5"))
    same(scan, open_scan(npz(tmp_path / "scan.npz", **{form: True})))
    assert getattr(scan.recording, form)
    assert not getattr(open_scan(npz(tmp_path / "plain.npz")).recording, form)


def test_a_scan_of_format_1_0_is_neither_held_nor_gated(tmp_path: Path) -> None:
    def age(file: h5py.File) -> None:
        file.attrs["format_version"] = (1, 0)
        for name in ("peak_held", "gated_only"):
            del file["waveforms"].attrs[name]

    same(example(), open_scan(broken(tmp_path / "scan.h5", age)))


def npz(path: Path, **changes: Any) -> Path:
    arrays: dict[str, Any] = {
        "waveforms": np.zeros((4, 100), np.int16), "sample_rate_mhz": 50.0, "start_time_us": 0.0,
    }  # fmt: skip
    arrays |= changes
    np.savez(path, **{name: value for name, value in arrays.items() if value is not None})
    return path


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"waveforms": None}, "lacks the array 'waveforms'"),
        ({"sample_rate_mhz": None}, "lacks the array 'sample_rate_mhz'"),
        ({"sample_rate_mhz": [50.0, 60.0]}, "allowed: one number"),
        ({"sample_rate_mhz": "fast"}, "allowed: one number"),
        ({"sample_rate_mhz": -50.0}, "is -50 MHz"),
        ({"waveforms": np.zeros((4, 100), np.int64)}, "stored as int64"),
        ({"waveforms": np.zeros(0, np.int16)}, "0 samples"),
        ({"x_mm": np.zeros(3)}, "column 'x_mm'"),
        ({"x_mm": np.array([None] * 4)}, "cannot be read as .npz"),
    ],
)
def test_wrong_npz(changes: dict[str, Any], message: str, tmp_path: Path) -> None:
    with pytest.raises(AscanError) as caught:
        open_scan(npz(tmp_path / "scan.npz", **changes))
    assert message in str(caught.value)


@pytest.mark.parametrize("content", [b"", b"text", b"PK\x03\x04 broken", b"\x89HDF\r\n\x1a\n cut"])
def test_not_a_scan(content: bytes, tmp_path: Path) -> None:
    (tmp_path / "thing").write_bytes(content)
    with pytest.raises(AscanError, match="thing"):
        open_scan(tmp_path / "thing")
    with pytest.raises(AscanError, match="is no file"):
        open_scan(tmp_path / "missing.npz")


ITEMS = ["waveforms", "start_time_us"]
ATTRIBUTES = ["sample_rate_mhz", *MEANING]


def broken(path: Path, change: Any) -> Path:
    save_scan(example(), path)
    with h5py.File(path, "a") as file:
        change(file)
    return path


@pytest.mark.parametrize("name", ITEMS)
def test_missing_dataset(name: str, tmp_path: Path) -> None:
    path = broken(tmp_path / "scan.h5", lambda file: file.__delitem__(name))
    with pytest.raises(AscanError, match=f"/{name}: is missing"):
        open_scan(path)


@pytest.mark.parametrize("name", ATTRIBUTES)
def test_missing_attribute(name: str, tmp_path: Path) -> None:
    path = broken(tmp_path / "scan.h5", lambda file: file["waveforms"].attrs.__delitem__(name))
    with pytest.raises(AscanError, match=f"lacks the attribute '{name}'"):
        open_scan(path)


@pytest.mark.parametrize(
    ("attribute", "value", "message"),
    [
        ("format", "ascan-readings", "format 'ascan-readings'; allowed: ascan-scan"),
        ("format", None, "states no format"),
        ("format_version", (3, 0), "newer than this engine's 2.1; update"),
        ("format_version", (0, 9), "older than any this engine reads"),
        ("format_version", None, "states no format_version"),
    ],
)
def test_wrong_kind_or_version(attribute: str, value: Any, message: str, tmp_path: Path) -> None:
    def change(file: h5py.File) -> None:
        del file.attrs[attribute]
        if value is not None:
            file.attrs[attribute] = value

    with pytest.raises(AscanError) as caught:
        open_scan(broken(tmp_path / "scan.h5", change))
    assert message in str(caught.value)


def test_unequal_lengths(tmp_path: Path) -> None:
    def shorten(file: h5py.File) -> None:
        del file["columns/x_mm"]
        file["columns/x_mm"] = np.zeros(5)

    path = broken(tmp_path / "scan.h5", shorten)
    with pytest.raises(AscanError, match="column 'x_mm'"):
        open_scan(path)


def test_pointers_to_other_files_are_refused(tmp_path: Path) -> None:
    """Soft, external and virtual datasets, and external storage."""
    save_scan(example(), tmp_path / "other.h5")

    def soft(file: h5py.File) -> None:
        file.move("waveforms", "hidden")
        file["waveforms"] = h5py.SoftLink("/hidden")

    def external(file: h5py.File) -> None:
        del file["waveforms"]
        file["waveforms"] = h5py.ExternalLink("other.h5", "/waveforms")

    def virtual(file: h5py.File) -> None:
        del file["waveforms"]
        layout = h5py.VirtualLayout((7, 300), "i2")
        layout[:] = h5py.VirtualSource(str(tmp_path / "other.h5"), "waveforms", (7, 300))
        file.create_virtual_dataset("waveforms", layout)

    def storage(file: h5py.File) -> None:
        del file["waveforms"]
        file.create_dataset("waveforms", (7, 300), "i2", external=[("raw.bin", 0, 4200)])

    for k, change in enumerate((soft, external, virtual, storage)):
        with pytest.raises(AscanError, match=r"somewhere else|in another file"):
            open_scan(broken(tmp_path / f"scan{k}.h5", change))


def test_layout_is_as_documented(tmp_path: Path) -> None:
    save_scan(example(), tmp_path / "scan.h5")
    with h5py.File(tmp_path / "scan.h5") as file:
        assert set(file) == {"waveforms", "start_time_us", "columns"}
        assert set(file.attrs) == {"format", "format_version", "writer"}
        found: list[str] = []
        file.visititems(lambda name, item: found.append(name) if hasattr(item, "shape") else None)
        for name in found:
            assert file[name].attrs["units"], name
            assert file[name].attrs["long_name"], name
        assert file["waveforms"].chunks[1] == 300


def test_an_existing_file_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "scan.h5"
    path.write_text("precious")
    with pytest.raises(AscanError, match="exists"):
        save_scan(example(), path)
    assert path.read_text() == "precious"
    save_scan(example(), path, replace=True)
    same(example(), open_scan(path))
