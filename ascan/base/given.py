"""Numbers and written tables as a caller gives them: read as they are, or refused."""

from __future__ import annotations

import os
import stat
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ascan.base.errors import fault, file_fault, limit_fault, procedure_fault

# A written table is smaller: procedures, jobs, series of checks, sidecars.
MOST_TEXT_BYTES = 16 * 1024**2


def path_given(path: Any) -> Path:
    """Return the path of a file that was given; nothing is looked up.

    Raises
    ------
    AscanError
        What no file can be called: no text and no path, or one with a zero byte in it.

    Examples
    --------
    >>> path_given("scan.h5").suffix
    '.h5'
    """
    if not isinstance(path, (str, os.PathLike)) or "\0" in str(path) or not str(path):
        raise fault("path", f"is {path!r}", allowed="the name of a file")
    return Path(path)


def is_file(path: Path) -> bool:
    """Return whether there is a plain file: no folder, device or pipe, no name beyond all names."""
    try:
        return path.is_file()
    except OSError:
        return False


def refuse_masked(values: Any, place: str) -> None:
    """Refuse an array that says of some values that they are none: they would count as values."""
    if np.ma.is_masked(values):
        raise fault(
            place,
            f"holds {int(np.ma.getmaskarray(values).sum())} masked values",
            remedy="leave out what holds them, or fill them (NaN in floating point)",
        )


def array_given(values: Any, place: str) -> npt.NDArray[Any]:
    """Return what was given as an array, none of it masked.

    Raises
    ------
    AscanError
        Its parts differ in length, or some are masked.
    """
    refuse_masked(values, place)
    try:
        return np.asarray(values)
    except ValueError as problem:
        raise fault(place, f"is no array ({problem})") from None


def real_numbers(values: Any, place: str, unit: str) -> npt.NDArray[np.float64]:
    """Return what was given as float64; text, truth values, complex numbers, objects are none.

    Raises
    ------
    AscanError
        Not real numbers, or some of them masked.

    Examples
    --------
    >>> real_numbers([5, 10.0], "known_mm", "mm")
    array([ 5., 10.])
    """
    given, allowed = array_given(values, place), f"numbers, in {unit}"
    if given.dtype.kind not in "iuf":
        told = f"is {values!r}" if given.ndim == 0 else f"is of type {given.dtype}"
        raise fault(place, told, allowed=allowed)
    return given.astype(np.float64)


def toml_of(content: Any, place: str) -> dict[str, Any]:
    """Return the tables of TOML text.

    Raises
    ------
    AscanError
        Not text, not TOML, nested or long beyond all sense.

    Examples
    --------
    >>> toml_of("probe = { frequency_mhz = 5.0 }", "procedure")
    {'probe': {'frequency_mhz': 5.0}}
    """
    if not isinstance(content, str):
        raise procedure_fault(place, f"is of type {type(content).__name__}", allowed="TOML text")
    try:
        return tomllib.loads(content)
    except RecursionError:
        raise procedure_fault(place, "is not TOML: its brackets are nested too deep") from None
    except ValueError as problem:
        raise procedure_fault(place, f"is not TOML: {str(problem)[:200]}") from None


def written_text(path: str | Path) -> str:
    """Return what stands in a file of a written table, such as a procedure.

    Raises
    ------
    AscanError
        It is no file, is too large for one, cannot be read, or is no UTF-8.
    """
    place = str(path)
    try:
        state = path_given(path).stat()
        if not stat.S_ISREG(state.st_mode):
            raise file_fault(place, "is no file")
        if state.st_size > MOST_TEXT_BYTES:
            told, most = f"holds {state.st_size} bytes", f"{MOST_TEXT_BYTES} of a written table"
            raise limit_fault(place, told, allowed=most)
        return Path(path).read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise file_fault(place, "is not a text file in UTF-8") from None
    except OSError as problem:
        raise file_fault(place, f"cannot be read ({problem.strerror})") from None
