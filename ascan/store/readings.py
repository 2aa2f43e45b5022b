"""Readings on disk: HDF5 with provenance, written a block at a time, and CSV."""

from __future__ import annotations

import contextlib
import csv
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, TextIO

import h5py
import numpy as np

from ascan.base.errors import AscanError
from ascan.base.errors import file_fault as fault
from ascan.base.flags import MEANINGS, names, severity
from ascan.checks.table import columns as columns_of
from ascan.kernels.arrays import AnyArray
from ascan.results.readings import GATE_COLUMNS, RESULT_COLUMNS, Readings, check_readings
from ascan.results.shown import shown_columns
from ascan.results.sources import COLUMNS as SOURCE_COLUMNS
from ascan.results.summary import usabilities
from ascan.store import schema
from ascan.store.old.readings import columns_of_today, provenance_of_today
from ascan.store.provenance import ColumnsDigest, writer
from ascan.store.replacing import whole_file

CSV_BLOCK = 4096
# A text that begins so is a formula to a spreadsheet: an apostrophe ahead of it keeps it a text.
FORMULA = tuple("=+-@\t\r")
WHOLE = 2**62


def describe(name: str) -> tuple[str, str]:
    """Return unit and meaning of a column of readings.

    Examples
    --------
    >>> describe("wall_time_us")
    ('us', 'wall: time of the echo after the transmit pulse')
    """
    told = RESULT_COLUMNS | SOURCE_COLUMNS | _told(of_gate=False)
    if name in told:
        return told[name]
    by_suffix = GATE_COLUMNS | _told(of_gate=True)
    for suffix, (unit, meaning) in sorted(by_suffix.items(), key=lambda item: -len(item[0])):
        if name.endswith(f"_{suffix}"):
            return unit, f"{name.removesuffix(f'_{suffix}')}: {meaning}"
    return schema.describe_carried(name)


def _told(*, of_gate: bool) -> dict[str, tuple[str, str]]:
    """Return unit and meaning of what the checks write, by name."""
    return {name: (each.unit, each.meaning) for name, each in columns_of(of_gate=of_gate).items()}


class ReadingsWriter:
    """Appends blocks of columns to an open HDF5 file."""

    def __init__(self, file: h5py.File) -> None:
        self._group = file.create_group("columns", track_order=True)
        self._file = file
        self._digest = ColumnsDigest()
        self._blocks: list[tuple[int, str]] = []
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
        self._blocks.append((self._rows, self._digest.hexdigest()))

    def _create(self, name: str, values: AnyArray) -> None:
        column = schema.growing_column(self._group, name, values.dtype, *describe(name))
        if (name == "flags" or name.endswith("_flags")) and values.dtype == np.uint32:
            column.attrs["flag_masks"] = np.array([int(flag) for flag in MEANINGS], np.uint32)
            column.attrs["flag_meanings"] = " ".join(str(f.name).lower() for f in MEANINGS)
            column.attrs["flag_severities"] = " ".join(map(severity, MEANINGS))

    def finish(self, provenance: Mapping[str, Any]) -> None:
        """Write the provenance, and the digest of all columns up to the end of each block."""
        ends, digests = zip(*self._blocks, strict=True) if self._blocks else ((), ())
        blocks = self._file.create_group("blocks")
        ended = np.array(ends, np.int64)
        schema.write_column(blocks, "end_row", ended, "1", "row before which a block ends")
        told = "SHA-256 of all columns from the first row to the end of the block"
        schema.write_column(blocks, "sha256", np.array(digests, np.str_), "1", told)
        text = json.dumps(dict(provenance) | {"columns_sha256": self._digest.hexdigest()})
        item = self._file.create_dataset("provenance", data=text, dtype=h5py.string_dtype())
        item.attrs.update({"units": "1", "long_name": "how these readings came to be, JSON"})
        schema.seal(item, text)


@contextlib.contextmanager
def readings_file(path: str | Path, *, replace: bool = False) -> Iterator[ReadingsWriter]:
    """Open a new readings file for appending; it appears whole or not at all."""
    with whole_file(path, replace=replace) as part, h5py.File(part, "w") as file:
        schema.stamp(file, schema.READINGS, writer())
        yield ReadingsWriter(file)


def read_blocks(path: str | Path, size: int) -> Iterator[Readings]:
    """Yield the readings of a file, so many rows at a time, and check their digests on the way.

    Raises
    ------
    AscanError
        Not a readings file, incomplete, or changed since it was written: with the rows.
    """
    place = str(path)
    with schema.opened(path, schema.READINGS) as file:
        version = schema.version_of(file)
        item = schema.dataset(file, "provenance", place)
        text = item.asstr()[()]
        schema.check_seal(item, f"{place}: /provenance", text)
        provenance = json.loads(text)
        told = provenance if version >= (2, 0) else provenance_of_today(provenance)
        group = schema.subgroup(file, "columns", place)
        if "flags" not in group:
            raise fault(place, "lacks the column 'flags'")
        items = {name: schema.dataset(group, name, place) for name in group}
        rows = len(items["flags"])
        sound = _SoundRows(file, place, provenance)
        for start in range(0, max(rows, 1), size):
            span = slice(start, start + size)
            columns = {name: schema.read_column(item, span) for name, item in items.items()}
            sound.check(columns)
            if version < (2, 0):
                columns = columns_of_today(columns, provenance)
            yield Readings(columns, told)
        sound.check_whole()


class _SoundRows:
    """Checks rows, read from first to last, against the digests written with them."""

    def __init__(self, file: h5py.File, place: str, provenance: Mapping[str, Any]) -> None:
        self._place, self._whole = place, provenance.get("columns_sha256")
        self._digest, self._done, self._sound = ColumnsDigest(), 0, 0
        self._blocks: list[tuple[int, str]] = []
        if schema.version_of(file) >= (2, 0):
            blocks = schema.subgroup(file, "blocks", place)
            ends, digests = (
                schema.read_column(schema.dataset(blocks, name, place)).tolist()
                for name in ("end_row", "sha256")
            )
            self._blocks = list(zip(ends, digests, strict=True))

    def check(self, columns: Mapping[str, AnyArray]) -> None:
        """Take rows in; raise where a block that ends in them differs."""
        start, stop = self._done, self._done + len(columns["flags"])
        while self._blocks and self._blocks[0][0] <= stop:
            end, written = self._blocks.pop(0)
            self._add(columns, slice(self._done - start, end - start))
            if self._digest.hexdigest() != written:
                raise self._changed(f" in rows {self._sound}..{end - 1}")
            self._sound = end
        self._add(columns, slice(self._done - start, stop - start))

    def check_whole(self) -> None:
        """Raise where all rows together differ from what was written."""
        if self._blocks or self._digest.hexdigest() != self._whole:
            raise self._changed("")

    def _add(self, columns: Mapping[str, AnyArray], rows: slice) -> None:
        self._digest.add({name: column[rows] for name, column in columns.items()})
        self._done += rows.stop - rows.start

    def _changed(self, where: str) -> AscanError:
        what = f"holds other values than were written{where}"
        return fault(self._place, what, remedy="measure anew")


def load_readings(path: str | Path) -> Readings:
    """Read a readings file whole.

    Parameters
    ----------
    path : str or Path
        Of readings that ``ascan measure`` or `ascan.measure_to_file` wrote, in any version.

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
    ascan.base.errors.FileError: no_such_file.h5: is no file
    """
    (whole,) = read_blocks(path, WHOLE)
    return whole


@contextlib.contextmanager
def csv_file(path: str | Path, *, replace: bool = False) -> Iterator[CsvWriter]:
    """Open a new CSV file for appending; it appears whole or not at all."""
    with (
        whole_file(path, replace=replace) as part,
        part.open("w", newline="", encoding="utf-8") as file,
    ):
        yield CsvWriter(file)


class CsvWriter:
    """Appends blocks of columns to an open CSV file."""

    def __init__(self, file: TextIO) -> None:
        self._table = csv.writer(file, lineterminator="\n")
        self._begun = False

    def append(self, columns: Mapping[str, AnyArray]) -> None:
        """Append a block: a line for each row, flags by name, an empty cell for NaN."""
        columns = shown_columns(columns)
        if "flags" in columns:
            columns = {**columns, "usability": usabilities(columns)}
        if not self._begun:
            self._table.writerow(columns)
            self._begun = True
        cells = [_cells(name, column) for name, column in columns.items()]
        self._table.writerows(zip(*cells, strict=True))


def write_csv(readings: Readings, path: str | Path, *, replace: bool = False) -> None:
    """Write readings as CSV: one line per waveform, flags by name, an empty cell for NaN.

    The last column says in words whether a reading can be used. A text that a spreadsheet would
    take for a formula has an apostrophe ahead of it.

    Parameters
    ----------
    readings : Readings
        All of them, or some (``readings[rows]``).
    path : str or Path
        Appears whole or not at all.
    replace : bool
        Whether an existing file may be replaced.

    Raises
    ------
    AscanError
        They are no readings, or the file exists or cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> columns = {"thickness_mm": np.array([7.5]), "flags": np.array([256], np.uint32)}
    >>> file = Path(tempfile.mkdtemp()) / "readings.csv"
    >>> write_csv(Readings(columns), file)
    >>> print(file.read_text().strip())
    thickness_mm,flags,usability
    7.5,saturated,usable
    """
    check_readings(readings)
    with csv_file(path, replace=replace) as table:
        for start in range(0, max(len(readings), 1), CSV_BLOCK):
            span = slice(start, start + CSV_BLOCK)
            table.append({name: column[span] for name, column in readings.columns.items()})


def _cells(name: str, values: AnyArray) -> list[Any]:
    if (name == "flags" or name.endswith("_flags")) and values.dtype == np.uint32:
        return [names(int(value)) for value in values]
    if values.dtype.kind == "f":
        return ["" if value != value else repr(value) for value in values.tolist()]
    if values.dtype.kind == "U":
        return [f"'{value}" if value[:1] in FORMULA else value for value in values.tolist()]
    return list(values.tolist())
