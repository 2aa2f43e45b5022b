"""Waveforms as numbers in a text file: a waveform in a line, or in a column."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from ascan.base.errors import fault
from ascan.kernels.arrays import AnyArray, FloatArray

NO_NUMBER = re.compile(r".*_|[+-]?0[0-9]")


def numbers_in(path: Path, delimiter: str, skip_lines: int, dtype: str) -> AnyArray:
    """Return the numbers of a text file, shape (lines, cells); NaN stays NaN.

    Parameters
    ----------
    path : Path
        UTF-8; empty lines are passed over.
    delimiter : str
        What stands between two cells; a blank stands for any number of blanks and tabs.
    skip_lines : int
        How many lines at the top hold no waveform.
    dtype : str
        Stored type to give them; "" for float64.

    Raises
    ------
    AscanError
        A cell that is no number, or that the stored type does not hold; lines of unequal length.
    """
    rows: list[FloatArray] = []
    try:
        with path.open(encoding="utf-8-sig") as file:
            for number, line in enumerate(file, 1):
                text = line.rstrip("\r\n")
                if number <= skip_lines or not text.strip(" "):
                    continue
                place = f"{path}: line {number}"
                cells = text.split() if delimiter == " " else text.split(delimiter)
                rows.append(_stored(_numbers(cells, place), dtype, place))
                if rows[-1].size != rows[0].size:
                    told = f"has {rows[-1].size} cells, the first has {rows[0].size}"
                    raise fault(place, told, remedy="make all lines equally long")
    except UnicodeDecodeError:
        raise fault(str(path), "is not a text file in UTF-8") from None
    if not rows:
        raise fault(str(path), f"holds no numbers after {skip_lines} lines")
    return np.array(rows)


def _numbers(cells: list[str], place: str) -> FloatArray:
    values = np.empty(len(cells))
    for k, cell in enumerate(cells):
        try:
            # Python reads 1_000 and 000977 as numbers; no file means them so. The second is what
            # follows a decimal comma.
            values[k] = float(cell if not NO_NUMBER.match(cell.strip()) else "no number")
        except ValueError:
            raise fault(
                f"{place}, cell {k + 1}",
                f"is '{cell[:40]}'",
                allowed="numbers with a decimal point (no comma), and nan",
                remedy="state the delimiter, or how many lines to skip",
            ) from None
    return values


def _stored(values: FloatArray, dtype: str, place: str) -> AnyArray:
    """Return values in a stored type that holds each of them."""
    kind = np.dtype(dtype or np.float64)
    if kind.kind == "f":
        with np.errstate(over="ignore"):
            return values.astype(kind)
    limits = np.iinfo(kind)
    fits = (values >= limits.min) & (values <= limits.max) & (values == np.rint(values))
    if not fits.all():
        cell = int(np.flatnonzero(~fits)[0])
        raise fault(
            f"{place}, cell {cell + 1}",
            f"is {values[cell]:g}",
            allowed=f"whole numbers from {limits.min} to {limits.max} ({kind.name})",
        )
    return values.astype(kind)
