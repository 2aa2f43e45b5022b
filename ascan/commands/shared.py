"""What several commands share: row lists, progress, and the options that name files."""

from __future__ import annotations

import argparse
import dataclasses
import importlib.util
import json
import re
import sys
import time
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from ascan.base.errors import fault
from ascan.calibration.record import Calibration
from ascan.kernels.arrays import FloatArray
from ascan.procedure.written import Procedure
from ascan.results.readings import Readings
from ascan.results.shown import shown_columns
from ascan.store import schema
from ascan.store.mesh import FORMATS
from ascan.store.schema import refuse_existing
from ascan.uncertainty.allowances import MEANINGS
from ascan.waveform.scan import Progress, Scan

# How files of each kind end, and what `schema.kind_of` finds in them; all else is HDF5.
KINDS = {
    "picture": ("a picture", (".png", ".svg", ".pdf")),
    "HTML": ("an HTML page", (".html", ".htm")),
    "CSV": ("a CSV table", (".csv", ".txt")),
    "mesh": ("a mesh", FORMATS),
    "TOML": ("a procedure", (".toml",)),
}
TEXTS = ("HTML", "CSV", "mesh", "TOML")
PICTURES = {".png": "PNG", ".svg": "text", ".pdf": "PDF"}
HDF5 = ("an HDF5 file", (".h5", ".hdf5", ""))


def rows_of(text: str, count: int, place: str) -> list[int]:
    """Return the row numbers of a list such as ``0,7-20``, each below ``count``.

    Examples
    --------
    >>> rows_of("0,7-9", 10, "--rows")
    [0, 7, 8, 9]
    """
    rows: list[int] = []
    for part in text.split(","):
        match = re.fullmatch(r"\s*([0-9]{1,12})(?:-([0-9]{1,12}))?\s*", part)
        first, last = (int(match[1]), int(match[2] or match[1])) if match else (0, -1)
        if last < first:
            raise fault(place, f"is '{text}'", allowed="numbers and ranges, such as 0,7-20")
        if last >= count:
            raise fault(place, f"names row {last}", allowed=f"0 to {count - 1}")
        rows += range(first, last + 1)
    return rows


def chosen(scan: Scan, rows: str | None) -> Scan:
    """Return the scan, or the rows of it that an option names."""
    return scan if rows is None else scan.choose(rows_of(rows, len(scan), "--rows"))


class Bar:
    """Progress of long work on the terminal: rows done, rate, time left; silent below a second."""

    def __init__(self, quiet: bool, unit: str = "waveforms") -> None:
        self._unit = unit
        self._quiet = quiet or not sys.stderr.isatty()
        self._bar: Any = None
        self._began = time.monotonic()

    def __call__(self, done: int, total: int) -> None:
        """Show that ``done`` of ``total`` rows are done."""
        if self._quiet or (self._bar is None and time.monotonic() - self._began < 1.0):
            return
        if self._bar is None:
            try:
                from tqdm import tqdm
            except ImportError:
                self._quiet = True
                return
            self._bar = tqdm(total=total, unit=f" {self._unit}", leave=False)
        self._bar.update(done - self._bar.n)
        if done >= total:
            self._bar.close()


def progress_bar(args: argparse.Namespace) -> Progress:
    """Return the progress callback that the options ask for."""
    return Bar(args.quiet)


def add_common(parser: argparse.ArgumentParser) -> None:
    """Add the options that every command that writes a file has."""
    parser.add_argument("--replace", action="store_true", help="replace an existing output file")
    add_quiet(parser)


def add_quiet(parser: argparse.ArgumentParser) -> None:
    """Add the options that every command has."""
    parser.add_argument("--quiet", action="store_true", help="print nothing but errors")
    parser.add_argument(
        "--inch",
        action="store_true",
        help="show lengths of the wall in inches, in text, pictures, CSV and JSON (columns _in); "
        "files of this program stay in mm",
    )


def add_json(parser: argparse.ArgumentParser) -> None:
    """Add the option of commands whose answer a script may want."""
    parser.add_argument("--json", action="store_true", help="print the answer as JSON")


def answer(args: argparse.Namespace, data: Any, lines: list[str]) -> None:
    """Print the answer: as JSON where asked for, else as lines, else (quiet) not at all."""
    if args.json:
        print(json.dumps(_plain(data), indent=1, ensure_ascii=False))
    else:
        say(args, lines)


def _plain(data: Any) -> Any:
    """Return data as JSON can hold it: NaN as null, lengths as they are to be shown."""
    if dataclasses.is_dataclass(data) and not isinstance(data, type):
        data = {f.name: getattr(data, f.name) for f in dataclasses.fields(data)}
    if isinstance(data, Mapping):
        out = {}
        for key, value in data.items():
            if isinstance(value, (int, float, np.number)) and not isinstance(value, bool):
                ((key, value),) = shown_columns({str(key): np.asarray(value)}).items()
            out[str(key)] = _plain(value)
        return out
    if isinstance(data, np.ndarray):
        return _plain(data.tolist())
    if isinstance(data, (list, tuple)):
        return [_plain(value) for value in data]
    if isinstance(data, (float, np.floating)):
        return float(data) if np.isfinite(data) else None
    return data.item() if isinstance(data, np.generic) else data


def check_outputs(
    args: argparse.Namespace, inputs: list[str | None], outputs: list[tuple[str | None, str]]
) -> None:
    """Refuse to write over an input, over another output, or over a file of another kind.

    Parameters
    ----------
    inputs : list
        Paths that are read.
    outputs : list of (path, kind)
        Paths to be written and what they will hold: a kind of `KINDS`, or a format of HDF5.

    Raises
    ------
    AscanError
        Before anything is written.
    """
    taken = {Path(path).resolve(): "an input" for path in inputs if path}
    for name, kind in outputs:
        if name is None:
            continue
        path = Path(name)
        if path.resolve() in taken:
            raise fault(
                name, f"is {taken[path.resolve()]} of this command", remedy="name another file"
            )
        taken[path.resolve()] = "another output"
        what, endings = KINDS.get(kind, HDF5)
        if path.suffix.lower() not in endings:
            allowed = ", ".join(ending for ending in endings if ending)
            raise fault(name, f"ends in '{path.suffix}' and will be {what}", allowed=allowed)
        refuse_existing(path, args.replace)
        if path.is_dir():
            raise fault(name, "is a folder")
        stored = "text" if kind in TEXTS else kind
        if kind == "picture":
            stored = PICTURES[path.suffix.lower()]
        if path.exists() and schema.kind_of(path) != stored:
            raise fault(
                name,
                f"holds something else ({schema.kind_of(path)}); --replace only "
                "replaces files of the same kind",
                remedy="name another file",
            )


def out_of_date(calibration: Calibration) -> list[str]:
    """Return that the calibration's stated validity has ended; nothing while it holds."""
    aged = calibration.age_in_words(datetime.now(UTC))
    return [f"the calibration is out of date: {aged}; calibrate anew"] if aged else []


def check_measured_with(readings: Readings, calibration: Calibration, path: str) -> None:
    """Refuse a calibration, read from ``path``, that the readings were not measured with."""
    used = readings.calibration_digest
    if used is not None and used != calibration.digest:
        raise fault(
            path,
            "is not the calibration that the readings were measured with",
            remedy="name that one",
        )


def need_library(name: str, extra: str, what: str) -> None:
    """Refuse what needs a library that is not there."""
    if importlib.util.find_spec(name) is None:
        raise fault(what, f"needs {name}", remedy=f"pip install 'ascan[{extra}]'")


def say(args: argparse.Namespace, lines: list[str]) -> None:
    """Print lines unless the user asked for quiet."""
    if lines and not args.quiet:
        print("\n".join(lines))


def add_steps(parser: argparse.ArgumentParser) -> None:
    """Add the options that say which rows stand on which step (`known_of`)."""
    parser.add_argument(
        "--step",
        action="append",
        metavar="MM=ROWS",
        help="thickness and its rows, such as 10=0,7-20",
    )
    parser.add_argument("--known-column", metavar="NAME", help="column with the thickness in mm")
    parser.add_argument("--rows", help="with --known-column: only these rows, such as 0,7-20")


def seconds_of(text: str, place: str) -> float:
    """Return seconds since 1970 of a time; one without a zone is UTC.

    Examples
    --------
    >>> seconds_of("1970-01-02T00:00", "--at")
    86400.0
    """
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise fault(place, f"is '{text}'", allowed="a time such as 2026-05-04T08:00") from None
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def known_of(scan: Scan, args: argparse.Namespace) -> FloatArray:
    """Return the known thickness of each row, NaN where it is no step reading."""
    if bool(args.step) == bool(args.known_column):
        raise fault(
            args.command, "needs to know the steps", allowed="either --step or --known-column"
        )
    known = np.full(len(scan), np.nan)
    if args.known_column:
        if args.known_column not in scan.columns:
            raise fault(
                "--known-column",
                f"'{args.known_column}' is no column of the scan",
                allowed=", ".join(scan.columns) or "none is there",
            )
        column = scan.columns[args.known_column]
        if column.dtype.kind not in "iuf":
            raise fault("--known-column", f"'{args.known_column}' holds no numbers")
        rows = rows_of(args.rows, len(scan), "--rows") if args.rows else range(len(scan))
        for row in rows:
            known[row] = column[row]
        return known
    for text in args.step:
        thickness, equals, rows = text.partition("=")
        try:
            value = float(thickness)
        except ValueError:
            value = np.nan
        if not equals or not np.isfinite(value):
            raise fault(
                "--step",
                f"is '{text}'",
                allowed="MM=ROWS, such as 10=0,7-20: the step in mm, with a decimal point",
            )
        for row in rows_of(rows, len(scan), "--step"):
            if not np.isnan(known[row]):
                raise fault("--step", f"names row {row} twice, as {known[row]:g} and {value:g} mm")
            known[row] = value
    return known


def taken_lines(procedure: Procedure, *, matched: bool) -> list[str]:
    """Return what u holds that nobody measured, each with its figure and where that comes from.

    ``matched``: whether the calibration was carried over to the component's own velocity.
    """
    allowed, unknown = procedure.allowances(velocity_matched=matched)
    out = [f"allowed for: {one}" for one in allowed if one.why]
    return out + [
        f"NO VERDICT, {MEANINGS[key]} has no figure that could be taken for this material: state "
        f"{key} under [uncertainty], or match the component by a spot of known thickness"
        for key in unknown
    ]


def numbers_of(text: str, place: str) -> list[float]:
    """Return the numbers of an option that takes several, such as ``1,2.5``."""
    try:
        return [float(part) for part in text.split(",")]
    except ValueError:
        raise fault(place, f"is '{text}'", allowed="numbers with commas between them") from None
