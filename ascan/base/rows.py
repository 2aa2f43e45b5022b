"""Which rows are meant: a slice, a mask, or their numbers."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from ascan.base.errors import fault


def row_numbers(rows: Any, count: int, place: str) -> npt.NDArray[np.int64]:
    """Return the numbers of chosen rows.

    Parameters
    ----------
    rows : slice or array_like
        A slice; a mask of shape (count,), True where a row is wanted; numbers from 0 on.
    count : int
        How many rows there are.
    place : str

    Raises
    ------
    AscanError
        A row that does not exist, a mask of another length, or what is none of these.

    Examples
    --------
    >>> row_numbers(slice(None, None, 2), 5, "scan"), row_numbers([True, False], 2, "scan")
    (array([0, 2, 4]), array([0]))
    """
    if isinstance(rows, slice):
        return np.arange(count, dtype=np.int64)[rows]
    given = np.asarray(rows)
    if given.dtype == np.bool_:
        if given.shape != (count,):
            raise fault(place, f"a mask of shape {given.shape} is given", allowed=f"({count},)")
        return np.flatnonzero(given).astype(np.int64)
    if given.ndim != 1 or (given.size and given.dtype.kind not in "iu"):
        raise fault(
            place,
            f"rows are given as {given.dtype} of shape {given.shape}",
            allowed="numbers of rows, or a mask of truth values",
        )
    beyond = given[(given < 0) | (given >= count)]
    if beyond.size:
        raise fault(place, f"has no row {beyond[0]}", allowed=f"0 to {count - 1}")
    return given.astype(np.int64)


def one_row(row: Any, count: int, place: str) -> int | None:
    """Return the number of one row, negative ones from the end; None where it is no number.

    Raises
    ------
    AscanError
        A name, or a row that does not exist.
    """
    if isinstance(row, str):
        where = f"{place}.columns" if place.isidentifier() else "its columns"
        remedy = f"take the column: {where}['{row}']"
        raise fault(place, f"is taken by row, not by '{row}'", remedy=remedy)
    if not isinstance(row, (int, np.integer)) or isinstance(row, bool):
        return None
    number = int(row)
    if not -count <= number < count:
        raise fault(place, f"has no row {number}", allowed=f"0 to {count - 1}")
    return number % count
