"""Text files of other programs as cells: comments, a header, any delimiter, any decimal mark."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np

from ascan.base.errors import file_fault as fault
from ascan.kernels.arrays import AnyArray, FloatArray

NO_NUMBER = re.compile(r".*_|[+-]?0[0-9]")
DECIMAL_COMMA = re.compile(r"\s*[+-]?\d*,\d+(?:[eE][+-]?\d+)?\s*")
COMMENTS = ("#", "%", "//")
# Delimiters that are looked for, in this order; a blank is any number of blanks and tabs.
DELIMITERS = ("\t", ";", ",", " ")
# So many lines tell what stands between cells.
TELLING = 12


class Grid(NamedTuple):
    """Cells of a text file.

    Attributes
    ----------
    names : tuple of str
        Of the columns; empty where the file has no header.
    cells : list of list of str
        Lines of equally many.
    lines : list of int
        Number of each line in the file.
    comments : list of str
        Without their marks.
    decimal_comma : bool
    """

    names: tuple[str, ...]
    cells: list[list[str]]
    lines: list[int]
    comments: list[str]
    decimal_comma: bool


def grid_of(path: Path, delimiter: str, skip_lines: int) -> Grid:
    """Return the cells of a text file; empty lines are passed over.

    Parameters
    ----------
    path : Path
        UTF-8, or one byte a letter.
    delimiter : str
        What stands between two cells; "" to have it told by the lines.
    skip_lines : int
        How many lines at the top hold nothing of it.

    Raises
    ------
    AscanError
        No text, lines of unequal length, or none.
    """
    comments, numbered = list[str](), list[tuple[int, str]]()
    for number, line in enumerate(_text_of(path).splitlines(), 1):
        mark = next((mark for mark in COMMENTS if line.lstrip().startswith(mark)), None)
        if mark is not None and number > skip_lines:
            comments.append(line.lstrip().removeprefix(mark).strip())
        elif number > skip_lines and line.strip(" "):
            numbered.append((number, line))
    if not numbered:
        raise fault(str(path), f"holds no numbers after {skip_lines} lines")
    last = [line for _, line in numbered[-TELLING:]]
    between = delimiter or _delimiter_of(last)
    cells = [_split(line, between) for _, line in numbered]
    if all(each[-1].strip() == "" for each in cells) and len(cells[0]) > 1:
        cells = [each[:-1] for each in cells]
    for (number, _), each in zip(numbered, cells, strict=True):
        if len(each) != len(cells[0]):
            told = f"has {len(each)} cells, the first has {len(cells[0])}"
            raise fault(
                f"{path}: line {number}",
                told,
                remedy="leave out what stands above the table (--skip-lines), or make all lines "
                "equally long",
            )
    comma = between != "," and any(DECIMAL_COMMA.fullmatch(cell) for cell in cells[-1])
    names: tuple[str, ...] = ()
    if _is_header(cells, comma):
        names, cells, numbered = tuple(cell.strip() for cell in cells[0]), cells[1:], numbered[1:]
    return Grid(names, cells, [number for number, _ in numbered], comments, comma)


def numbers_of(grid: Grid, columns: Sequence[int], dtype: str, path: Path) -> AnyArray:
    """Return the numbers of some columns, shape (lines, columns); NaN stays NaN.

    Parameters
    ----------
    dtype : str
        Stored type to give them; "" for float64.

    Raises
    ------
    AscanError
        A cell that is no number, or that the stored type does not hold.
    """
    rows = []
    for number, cells in zip(grid.lines, grid.cells, strict=True):
        place = f"{path}: line {number}"
        try:
            values = np.array([_number(cells[k], comma=grid.decimal_comma) for k in columns])
        except ValueError:
            # Where it stands is looked for only now: there may be millions.
            values = np.array(
                [number_in(cells[k], grid, f"{place}, cell {k + 1}") for k in columns]
            )
        rows.append(_stored(values, dtype, place))
    return np.array(rows)


def number_in(cell: str, grid: Grid, place: str) -> float:
    """Return the number of a cell; ``place`` names it where it holds none."""
    try:
        return _number(cell, comma=grid.decimal_comma)
    except ValueError:
        raise fault(
            place,
            f"is '{cell[:40]}'",
            allowed="numbers, and nan; with a decimal comma where no comma stands between cells",
            remedy="state the delimiter, or how many lines to skip",
        ) from None


def _number(cell: str, *, comma: bool) -> float:
    """Return the number of a cell, or raise ValueError."""
    # Python reads 1_000 and 000977 as numbers; no file means them so. The second is what follows
    # a decimal comma.
    if NO_NUMBER.match(cell.strip()):
        raise ValueError(cell)
    return float(cell.replace(",", ".") if comma else cell)


def _text_of(path: Path) -> str:
    data = path.read_bytes()
    if b"\0" in data:
        raise fault(str(path), "is not a text file in UTF-8")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        # Numbers are the same in all such codes; a µ in a header may not be.
        return data.decode("latin-1")


def _delimiter_of(lines: list[str]) -> str:
    """Return what cuts the last lines of a file into equally many cells, most of them numbers."""
    for mark in DELIMITERS:
        cut = [_split(line, mark) for line in lines]
        told = [looks_a_number(cell, comma=mark != ",") for cell in cut[-1] if cell.strip()]
        if len({len(each) for each in cut}) == 1 and len(cut[0]) > 1 and sum(told) * 2 > len(told):
            return mark
    return ","


def _split(line: str, delimiter: str) -> list[str]:
    if delimiter == " ":
        return line.split()
    if '"' in line and len(delimiter) == 1:
        return next(csv.reader([line], delimiter=delimiter))
    return line.split(delimiter)


def looks_a_number(cell: str, *, comma: bool) -> bool:
    """Tell whether a cell may be a number."""
    try:
        float(cell.replace(",", ".") if comma else cell)
    except ValueError:
        return False
    return True


def _is_header(cells: list[list[str]], comma: bool) -> bool:
    """Tell whether the first line names columns: a word stands where the next has a number."""
    if len(cells) < 2:
        return False
    first, second = (
        [looks_a_number(cell, comma=comma) for cell in line] for line in (cells[0], cells[1])
    )
    return any(not a and b for a, b in zip(first, second, strict=True))


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
