"""What every file of the project says of itself, and how another file is refused."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from ascan.base.errors import AscanError, limit_fault
from ascan.base.errors import file_fault as fault
from ascan.base.given import is_file, path_given
from ascan.base.stored import digest_of
from ascan.base.units import unit_of
from ascan.kernels.arrays import AnyArray
from ascan.store.guarded import look_at_hdf5, look_first
from ascan.waveform.scan import KNOWN_COLUMNS

VERSION, OLDEST = (2, 1), (1, 0)
# What is stored may stand for so many times as many bytes; so few in all are no matter.
MOST_PACKED, UNFILLED_BYTES = 1000, 1 << 22
HDF5_HEAD = b"\x89HDF\r\n\x1a\n"
SCAN, CALIBRATION, READINGS = "ascan-scan", "ascan-calibration", "ascan-readings"


# The attribute that holds the digest of what a file says besides its values.
SEAL = "sha256"


def stamp(file: h5py.File, kind: str, writer: str) -> None:
    """Write format name, version and writer into a new file."""
    file.attrs["format"] = kind
    file.attrs["format_version"] = VERSION
    file.attrs["writer"] = writer


# What a damaged or hostile file makes the library raise.
FAULTS = (
    OSError, RuntimeError, LookupError, TypeError, ValueError, AttributeError, MemoryError,
)  # fmt: skip


@contextlib.contextmanager
def opened(path: str | Path, kind: str) -> Iterator[h5py.File]:
    """Open a file of one kind for reading.

    Raises
    ------
    AscanError
        Not there, not HDF5, of another kind, or of another major version.
    """
    with open_hdf5(path) as file, sound(str(path)):
        check_kind(file, kind, str(path))
        yield file


@contextlib.contextmanager
def sound(place: str) -> Iterator[None]:
    """Turn what a damaged or hostile HDF5 file may raise into one clear error."""
    try:
        yield
    except AscanError:
        raise
    except FAULTS as problem:
        raise fault(place, f"is damaged or not as described ({problem})") from None


def open_hdf5(path: str | Path) -> h5py.File:
    """Open an HDF5 file for reading, with a clear error where it is none."""
    if not is_file(path_given(path)):
        raise fault(str(path), "is no file")
    try:
        look_first(path, look_at_hdf5)
        return h5py.File(path, "r")
    except PermissionError:
        raise fault(str(path), "may not be read", remedy="mend its permissions") from None
    except OSError:
        raise fault(str(path), "is no HDF5 file, or a damaged one") from None


def check_kind(file: h5py.File, kind: str, place: str) -> tuple[int, int]:
    """Return the format version of a file; refuse one of another kind or major version."""
    found = file.attrs.get("format")
    if not isinstance(found, str) or found != kind:
        what = f"is a file of format '{found}'" if found else "states no format"
        raise fault(place, what, allowed=kind)
    version = np.asarray(file.attrs.get("format_version", ())).tolist()
    if len(version) != 2:
        raise fault(place, "states no format_version", allowed=f"{VERSION[0]}.{VERSION[1]}")
    if version[0] > VERSION[0]:
        raise fault(
            place,
            f"was written in format {version[0]}.{version[1]}, newer than this "
            f"engine's {VERSION[0]}.{VERSION[1]}",
            remedy="update ascan",
        )
    if version[0] < OLDEST[0]:
        raise fault(
            place,
            f"was written in format {version[0]}.{version[1]}, older than any this engine reads",
            remedy="re-export it with the version that wrote it",
        )
    return version[0], version[1]


def version_of(file: h5py.File) -> tuple[int, int]:
    """Return the format version that a file states."""
    major, minor = np.asarray(file.attrs["format_version"]).tolist()
    return int(major), int(minor)


def changed(group: h5py.Group, place: str) -> AscanError:
    """Return the error of values whose digest is not the one that was written with them."""
    if version_of(group.file) > VERSION:
        return fault(place, "holds more than this engine knows of", remedy="update ascan")
    return fault(place, "was changed since it was written", remedy="calibrate anew")


def seal(item: Any, *parts: Any) -> None:
    """Write the digest of what stands in a file beside the values that have one of their own.

    ``parts`` are mappings, arrays, numbers and texts (`ascan.base.stored.digest_of`). A seal shows
    accidents and careless edits; who makes it anew is not found out.
    """
    item.attrs[SEAL] = digest_of(*parts)


def check_seal(item: Any, place: str, *parts: Any) -> None:
    """Refuse what no longer fits its seal; files of earlier versions have none."""
    if SEAL not in item.attrs or item.attrs[SEAL] == digest_of(*parts):
        return
    if version_of(item.file) > VERSION:
        raise fault(place, "holds more than this engine knows of", remedy="update ascan")
    raise fault(
        place,
        "was changed since it was written",
        remedy="get it back as it was; to say something else, write it anew",
    )


def dataset(group: h5py.Group, name: str, place: str) -> h5py.Dataset:
    """Return a dataset whose bytes lie in this very file.

    A file from someone else may point elsewhere (external links, external storage, virtual
    datasets): such a pointer is refused, never followed.
    """
    where = f"{place}: {group.name.rstrip('/')}/{name}"
    found = _own(group, name, where)
    if not isinstance(found, h5py.Dataset):
        raise fault(where, "is no dataset")
    if found.is_virtual or found.external:
        raise fault(where, "keeps its values in another file", remedy="copy them into this one")
    refuse_unfilled(found, where)
    return found


def refuse_unfilled(found: h5py.Dataset, where: str) -> None:
    """Refuse a dataset that declares far more than is stored: a damaged size, or a bomb."""
    stored_bytes = int(found.id.get_storage_size())
    if found.nbytes > max(MOST_PACKED * stored_bytes, UNFILLED_BYTES):
        raise limit_fault(
            where,
            f"declares {found.nbytes} bytes and stores {stored_bytes}",
            allowed=f"{MOST_PACKED} times what is stored, at most",
            remedy="it is damaged, or packed beyond all data: fetch it again",
        )


def subgroup(group: h5py.Group, name: str, place: str) -> h5py.Group:
    """Return a group that lies in this very file, as `dataset` does for datasets."""
    where = f"{place}: {group.name.rstrip('/')}/{name}"
    found = _own(group, name, where)
    if not isinstance(found, h5py.Group):
        raise fault(where, "is no group")
    return found


def _own(group: h5py.Group, name: str, where: str) -> Any:
    link = group.get(name, getlink=True)
    if link is None:
        raise fault(where, "is missing")
    if not isinstance(link, h5py.HardLink):
        raise fault(where, "is a link to somewhere else", remedy="copy the data into the file")
    return group[name]


def kind_of(path: str | Path) -> str:
    """Return what an existing file is: its stated format, "HDF5", "PNG", "PDF", "npz" or "text"."""
    with Path(path).open("rb") as file:
        head = file.read(8)
    if head == HDF5_HEAD:
        with open_hdf5(path) as found:
            return str(found.attrs.get("format", "HDF5"))
    if head == b"\x89PNG\r\n\x1a\n":
        return "PNG"
    if head.startswith(b"%PDF"):
        return "PDF"
    return "npz" if head.startswith(b"PK") else "text"


def attribute(item: Any, name: str, place: str) -> Any:
    """Return an attribute that must be there."""
    if name not in item.attrs:
        raise fault(f"{place}: {item.name}", f"lacks the attribute '{name}'")
    return item.attrs[name]


def describe_carried(name: str) -> tuple[str, str]:
    """Return unit and meaning of a column that a scan brings along."""
    unit = unit_of(name)
    return unit.sign.replace("µ", "u") if unit else "1", KNOWN_COLUMNS.get(name, name)


def write_column(group: h5py.Group, name: str, values: AnyArray, unit: str, meaning: str) -> None:
    """Write a column with its unit and meaning; texts as variable-length UTF-8."""
    kind = h5py.string_dtype() if values.dtype.kind in "US" else values.dtype
    column = group.create_dataset(name, data=stored(values), dtype=kind)
    _explain(column, unit, meaning)


def growing_column(
    group: h5py.Group, name: str, dtype: Any, unit: str, meaning: str
) -> h5py.Dataset:
    """Create an empty column that can grow."""
    kind = h5py.string_dtype() if np.dtype(dtype).kind in "US" else dtype
    column = group.create_dataset(name, (0,), kind, maxshape=(None,), chunks=(16384,))
    _explain(column, unit, meaning)
    return column


def _explain(item: h5py.Dataset, unit: str, meaning: str) -> None:
    item.attrs["units"] = unit
    item.attrs["long_name"] = meaning


def stored(values: AnyArray) -> AnyArray:
    """Return a column as h5py takes it (texts as objects)."""
    if values.dtype.kind == "S":
        values = np.char.decode(values, "utf-8")
    return values.astype(object) if values.dtype.kind == "U" else values


def read_column(item: h5py.Dataset, rows: slice = slice(None)) -> AnyArray:
    """Return rows of a column as numpy holds it (texts as fixed-width unicode)."""
    if h5py.check_string_dtype(item.dtype) is not None:
        return np.asarray(item.asstr()[rows], dtype=np.str_)
    return np.asarray(item[rows])


def refuse_existing(path: str | Path, replace: bool) -> Path:
    """Return the path if it may be written.

    Raises
    ------
    AscanError
        It exists and ``replace`` is False, it is no plain file, or its folder is missing.
    """
    target = path_given(path)
    try:
        there = target.exists()
        if there and not target.is_file():
            raise fault(str(target), "is a folder, a device or a pipe", remedy="name a file")
        in_folder = target.parent.is_dir()
    except OSError as problem:
        raise fault(str(target), f"cannot be written ({problem.strerror})") from None
    if there and not replace:
        remedy = "name another file, or replace it (--replace; in Python replace=True)"
        raise fault(str(target), "exists", remedy=remedy)
    if not in_folder:
        raise fault(str(target.parent), "is no folder", remedy="make it first")
    return target
