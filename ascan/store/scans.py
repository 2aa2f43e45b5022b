"""Scans on disk: the project's HDF5 layout, and ``.npz``."""

from __future__ import annotations

import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from ascan.base.errors import file_fault as fault
from ascan.base.given import is_file, path_given
from ascan.kernels.arrays import AnyArray
from ascan.store import schema
from ascan.store.provenance import writer
from ascan.store.replacing import whole_file
from ascan.waveform.recording import FORMS, LEVELS, recording_for
from ascan.waveform.scan import Progress, Scan, check_scan

# What numpy and zipfile raise on archives that are cut, encrypted, or made to harm.
UNREADABLE = (
    OSError,
    ValueError,
    LookupError,
    EOFError,
    RuntimeError,
    NotImplementedError,
    MemoryError,
    AttributeError,
    zipfile.BadZipFile,
    zlib.error,
)
CHUNK_BYTES = 4 * 2**20
# Attribute that tells whether the stored type still means what was written with it.
FIRST_ROW = "first_row_crc32"
# A scan of format 1.0 does not say these, and is neither.
SINCE_1_1 = ("peak_held", "gated_only")


@dataclass(frozen=True, slots=True)
class Hdf5Rows:
    """Waveforms of an open HDF5 file, read a block at a time."""

    waveforms: h5py.Dataset

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, samples."""
        return (int(self.waveforms.shape[0]), int(self.waveforms.shape[1]))

    @property
    def dtype(self) -> np.dtype[Any]:
        """Stored type of a sample, in the machine's byte order."""
        native: np.dtype[Any] = self.waveforms.dtype.newbyteorder("=")
        return native

    def close(self) -> None:
        """Close the file."""
        self.waveforms.file.close()

    def read_block(self, start: int, stop: int) -> AnyArray:
        """Return rows start..stop, C-contiguous, in the machine's byte order."""
        with schema.sound(f"{self.waveforms.file.filename}: rows {start} to {stop - 1}"):
            return np.ascontiguousarray(self.waveforms[start:stop], dtype=self.dtype)


def open_scan(path: str | Path) -> Scan:
    """Open a scan file: ``.npz``, or HDF5 in the project's layout.

    The waveforms of an HDF5 file stay on disk and are read a block at a time; those of a ``.npz``
    are held in memory.

    Parameters
    ----------
    path : str or Path
        A file of another program is read by `ascan.read_foreign`.

    Returns
    -------
    scan : Scan

    Raises
    ------
    AscanError
        Not a scan, or one that lacks something; the sentence names it.

    Examples
    --------
    >>> import tempfile
    >>> from ascan.examples import plate_scan
    >>> file = Path(tempfile.mkdtemp()) / "plates.h5"
    >>> save_scan(plate_scan(np.array([5.0, 8.0])), file)
    >>> open_scan(file).shape
    (2, 1000)
    """
    place = path_given(path)
    if not is_file(place):
        raise fault(str(path), "is no file")
    with place.open("rb") as file:
        head = file.read(8)
    if head.startswith(b"PK"):
        return _open_npz(place)
    if head == schema.HDF5_HEAD:
        return _open_hdf5(place)
    raise fault(
        str(path),
        "is neither a .npz nor an HDF5 file",
        remedy=f"read the file of another program first: ascan import {path} -o scan.h5",
    )


def _open_npz(path: Path) -> Scan:
    try:
        with path.open("rb") as stream, np.load(stream, allow_pickle=False) as file:
            arrays = {name: file[name] for name in file.files}
    except UNREADABLE as problem:
        if "allow_pickle" in str(problem):
            problem = ValueError("an array holds objects: waveforms of differing length?")
        raise fault(str(path), f"cannot be read as .npz ({problem})") from None
    for name in ("waveforms", "sample_rate_mhz"):
        if name not in arrays:
            raise fault(
                str(path),
                f"lacks the array '{name}'",
                allowed="waveforms, sample_rate_mhz, start_time_us, full_scale, columns",
            )
    waveforms = arrays.pop("waveforms")
    start_time_us = arrays.pop("start_time_us", np.zeros(()))
    meaning = {
        name: _scalar(path, name, arrays.pop(name)) for name in (*LEVELS, *FORMS) if name in arrays
    }
    rate = _scalar(path, "sample_rate_mhz", arrays.pop("sample_rate_mhz"))
    return Scan.from_array(
        waveforms,
        sample_rate_mhz=rate,
        start_time_us=start_time_us,
        columns=arrays,
        name=path.name,
        **meaning,
    )


def _scalar(path: Path, name: str, value: AnyArray) -> float:
    if value.size != 1 or value.dtype.kind not in "biuf":
        what = f"has shape {value.shape}" if value.size != 1 else f"is '{value}'"
        raise fault(f"{path}: {name}", what, allowed="one number")
    return float(value.reshape(-1)[0])


def _open_hdf5(path: Path) -> Scan:
    file = schema.open_hdf5(path)
    place = str(path)
    try:
        with schema.sound(place):
            return _scan_in(file, place, path.name)
    except BaseException:
        file.close()
        raise


def _scan_in(file: h5py.File, place: str, name: str) -> Scan:
    version = schema.check_kind(file, schema.SCAN, place)
    waveforms = schema.dataset(file, "waveforms", place)
    if waveforms.ndim != 2:
        raise fault(f"{place}: /waveforms", f"has {waveforms.ndim} axes", allowed="2")
    _check_first_row(waveforms, f"{place}: /waveforms")
    meaning: dict[str, Any] = {
        key: float(schema.attribute(waveforms, key, place)) for key in ("sample_rate_mhz", *LEVELS)
    }
    for key in FORMS:
        if key not in SINCE_1_1 or version >= (1, 1):
            meaning[key] = bool(schema.attribute(waveforms, key, place))
    start_time_us = schema.read_column(schema.dataset(file, "start_time_us", place))
    group = schema.subgroup(file, "columns", place)
    columns = {key: schema.read_column(schema.dataset(group, key, place)) for key in group}
    recording = recording_for(np.dtype(waveforms.dtype), **meaning)
    scan = Scan(Hdf5Rows(waveforms), recording, start_time_us, columns, name)
    schema.check_seal(waveforms, place, *_told(scan))
    return scan


def save_scan(
    scan: Scan, path: str | Path, *, replace: bool = False, progress: Progress | None = None
) -> None:
    """Write a scan in the project's HDF5 layout, a block at a time.

    Parameters
    ----------
    scan : Scan
        Its waveforms are written in their stored type.
    path : str or Path
        Appears whole or not at all.
    replace : bool
        Whether an existing file may be replaced.
    progress : callable, optional
        Called with (rows done, rows in all) after each block.

    Raises
    ------
    AscanError
        The file exists, or cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> from ascan.examples import plate_scan
    >>> file = Path(tempfile.mkdtemp()) / "plates.h5"
    >>> save_scan(plate_scan(np.array([5.0, 8.0])), file)
    """
    check_scan(scan)
    rows, samples = scan.shape
    per_row = samples * scan.rows.dtype.itemsize
    chunk = int(min(rows, max(1, CHUNK_BYTES // per_row)))
    with whole_file(path, replace=replace) as part, h5py.File(part, "w") as file:
        schema.stamp(file, schema.SCAN, writer())
        waveforms = file.create_dataset(
            "waveforms",
            (rows, samples),
            scan.rows.dtype,
            chunks=(chunk, samples),
            # A checksum for each block: a flipped bit is an error when it is read, never a wall.
            fletcher32=True,
        )
        waveforms.attrs.update(_waveform_attributes(scan))
        for span, block in scan.blocks(chunk):
            waveforms[span] = block
            if span.start == 0:
                waveforms.attrs[FIRST_ROW] = _crc32(block[0])
            if progress is not None:
                progress(span.stop, rows)
        schema.write_column(
            file,
            "start_time_us",
            scan.start_time_us,
            "us",
            "time of sample 0 after the transmit pulse",
        )
        group = file.create_group("columns", track_order=True)
        for name, values in scan.columns.items():
            schema.write_column(group, name, values, *schema.describe_carried(name))
        schema.seal(waveforms, *_told(scan))


def _crc32(row: AnyArray) -> int:
    """Return the CRC-32 of a row as it is to be understood: type and values."""
    little = np.ascontiguousarray(row, row.dtype.newbyteorder("<"))
    return zlib.crc32(little.tobytes(), zlib.crc32(row.dtype.name.encode()))


def _check_first_row(waveforms: h5py.Dataset, place: str) -> None:
    """Refuse waveforms whose stored type or shape is no longer what was written with them."""
    if FIRST_ROW in waveforms.attrs and waveforms.shape[0]:
        with schema.sound(place):
            row = np.asarray(waveforms[0])
        if _crc32(row) != int(waveforms.attrs[FIRST_ROW]):
            raise fault(place, "holds other waveforms than were written", remedy="fetch it again")


def _told(scan: Scan) -> tuple[dict[str, Any], AnyArray, dict[str, Any]]:
    """Return what a scan says of its waveforms: what codes mean, when they begin, columns."""
    columns = {
        name: values.tolist() if values.dtype.kind == "U" else values
        for name, values in scan.columns.items()
    }
    meaning = {name: getattr(scan.recording, name) for name in (*LEVELS, *FORMS)}
    meaning["sample_rate_mhz"] = scan.recording.sample_rate_mhz
    return meaning, scan.start_time_us, columns


def _waveform_attributes(scan: Scan) -> Mapping[str, Any]:
    recording = scan.recording
    return {
        "units": "code",
        "long_name": "digitiser codes as recorded",
        "sample_rate_mhz": recording.sample_rate_mhz,
    } | {name: getattr(recording, name) for name in (*LEVELS, *FORMS)}
