"""Readings on disk: HDF5 with provenance, written a block at a time, and CSV."""

from __future__ import annotations

import contextlib
import csv
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from ascan.arrays import AnyArray
from ascan.errors import fault
from ascan.flags import MEANINGS, names
from ascan.readings import GATE_COLUMNS, RESULT_COLUMNS, Readings
from ascan.scan import KNOWN_COLUMNS
from ascan.store import schema
from ascan.store.provenance import ColumnsDigest, writer
from ascan.store.replacing import whole_file
from ascan.units import unit_of

CSV_BLOCK = 4096


def describe(name: str) -> tuple[str, str]:
    """Return unit and meaning of a column of readings.

    Examples
    --------
    >>> describe("wall_time_us")
    ('us', 'wall: time of the echo after the transmit pulse')
    """
    if name in RESULT_COLUMNS:
        return RESULT_COLUMNS[name]
    for suffix, (unit, meaning) in sorted(GATE_COLUMNS.items(), key=lambda item: -len(item[0])):
        if name.endswith(f"_{suffix}"):
            return unit, f"{name.removesuffix(f'_{suffix}')}: {meaning}"
    known = unit_of(name)
    return known.sign if known else "1", KNOWN_COLUMNS.get(name, name)


class ReadingsWriter:
    """Appends blocks of columns to an open HDF5 file."""

    def __init__(self, file: h5py.File) -> None:
        self._group = file.create_group("columns", track_order=True)
        self._file = file
        self._digest = ColumnsDigest()
        self._rows = 0

    def append(self, columns: Mapping[str, AnyArray]) -> None:
        """Append a block; the first one settles which columns there are."""
        added = len(columns["flags"])
        for name, values in columns.items():
            if self._rows == 0:
                self._create(name, values)
            column = self._group[name]
            column.resize(self._rows + added, axis=0)
            column[self._rows :] = schema.stored(values)
        self._digest.add(columns)
        self._rows += added

    def _create(self, name: str, values: AnyArray) -> None:
        column = schema.growing_column(self._group, name, values.dtype, *describe(name))
        if (name == "flags" or name.endswith("_flags")) and values.dtype == np.uint32:
            column.attrs["flag_masks"] = np.array([int(flag) for flag in MEANINGS], np.uint32)
            column.attrs["flag_meanings"] = " ".join(str(f.name).lower() for f in MEANINGS)

    def finish(self, provenance: Mapping[str, Any]) -> None:
        """Write the provenance and the digest of all columns."""
        text = json.dumps(dict(provenance) | {"columns_sha256": self._digest.hexdigest()})
        item = self._file.create_dataset("provenance", data=text, dtype=h5py.string_dtype())
        item.attrs.update({"units": "1", "long_name": "how these readings came to be, JSON"})


@contextlib.contextmanager
def readings_file(path: str | Path, *, replace: bool = False) -> Iterator[ReadingsWriter]:
    """Open a new readings file for appending; it appears whole or not at all."""
    with whole_file(path, replace=replace) as part, h5py.File(part, "w") as file:
        schema.stamp(file, schema.READINGS, writer())
        yield ReadingsWriter(file)


def load_readings(path: str | Path) -> Readings:
    """Read a readings file whole.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    readings : Readings
        With the provenance that stands in the file.

    Raises
    ------
    AscanError
        Not a readings file, incomplete, or changed since it was written.

    Examples
    --------
    >>> load_readings("no_such_file.h5")
    Traceback (most recent call last):
    ascan.errors.AscanError: no_such_file.h5: is no file
    """
    place = str(path)
    with schema.opened(path, schema.READINGS) as file:
        provenance = json.loads(schema.dataset(file, "provenance", place).asstr()[()])
        group = schema.subgroup(file, "columns", place)
        if "flags" not in group:
            raise fault(place, "lacks the column 'flags'")
        columns = {n: schema.read_column(schema.dataset(group, n, place)) for n in group}
    digest = ColumnsDigest()
    digest.add(columns)
    if digest.hexdigest() != provenance.get("columns_sha256"):
        raise fault(place, "holds other values than were written", remedy="measure anew")
    return Readings(columns, provenance)


def write_csv(readings: Readings, path: str | Path, *, replace: bool = False) -> None:
    """Write readings as CSV: one line per waveform, flags by name, an empty cell for NaN.

    Parameters
    ----------
    readings : Readings
    path : str or Path
        Appears whole or not at all.
    replace : bool
        Whether an existing file may be replaced.

    Examples
    --------
    >>> import tempfile
    >>> columns = {"thickness_mm": np.array([7.5]), "flags": np.array([256], np.uint32)}
    >>> file = Path(tempfile.mkdtemp()) / "readings.csv"
    >>> write_csv(Readings(columns), file)
    >>> print(file.read_text().strip())
    thickness_mm,flags
    7.5,saturated
    """
    with whole_file(path, replace=replace) as part, part.open("w", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(readings.columns)
        for start in range(0, len(readings), CSV_BLOCK):
            span = slice(start, start + CSV_BLOCK)
            cells = [_cells(name, column[span]) for name, column in readings.columns.items()]
            table.writerows(zip(*cells, strict=True))


def _cells(name: str, values: AnyArray) -> list[Any]:
    if (name == "flags" or name.endswith("_flags")) and values.dtype == np.uint32:
        return [names(int(value)) for value in values]
    if values.dtype.kind == "f":
        return ["" if value != value else repr(value) for value in values.tolist()]
    return list(values.tolist())
