"""The errors a caller's mistake raises: where, what, the value, what is allowed, the way out."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from functools import partial


class AscanError(ValueError):
    """A fault of the caller, told in one sentence that names the way out.

    A fault of one waveform is never an error: it sets a flag (see `ascan.Flag`). What is raised is
    one of the kinds below; catch this one to catch them all.

    Attributes
    ----------
    place, problem, allowed, remedy : str
        The parts of the sentence: where, what is wrong, what is allowed, the way out; "" where it
        has none.

    Examples
    --------
    >>> try:
    ...     raise fault("sample_rate_mhz", "is -1 MHz", allowed="above 0 MHz")
    ... except AscanError as problem:
    ...     print(problem.place, "/", problem.allowed)
    sample_rate_mhz / above 0 MHz
    """

    place: str = ""
    problem: str = ""
    allowed: str = ""
    remedy: str = ""


class InputError(AscanError):
    """An argument, an option or a value that was given: arrays, columns, rows, dates.

    Examples
    --------
    >>> import numpy as np
    >>> from ascan import Scan
    >>> Scan.from_array(np.zeros((2, 3, 500)), sample_rate_mhz=100.0)
    Traceback (most recent call last):
    ascan.base.errors.InputError: array: waveforms have 3 axes; allowed: (rows, samples)
    """


class ProcedureError(AscanError):
    """A procedure, or another written table, that cannot be read or contradicts itself.

    Examples
    --------
    >>> from ascan import Procedure
    >>> Procedure.from_text("probe = 5")
    Traceback (most recent call last):
    ascan.base.errors.ProcedureError: procedure: lacks the table 'interval'; add [interval]
    """


class CalibrationError(AscanError):
    """Steps that make no calibration, or a calibration that does not fit what is measured.

    Examples
    --------
    >>> from ascan import calibrate
    >>> from ascan.examples import plate_example
    >>> scan, procedure, _ = plate_example(thickness_mm=8.0)
    >>> calibrate(scan, procedure, [8.0, 9.0])
    Traceback (most recent call last):
    ascan.base.errors.CalibrationError: known_mm: has shape (2,); allowed: one per row, (1,)
    """


class FileError(AscanError):
    """A file that is missing, damaged, of another kind, or cannot be written.

    Examples
    --------
    >>> from ascan import open_scan
    >>> open_scan("nowhere.h5")
    Traceback (most recent call last):
    ascan.base.errors.FileError: nowhere.h5: is no file
    """


class LimitError(AscanError):
    """More than a stated limit allows: of time, memory, size, or number.

    Examples
    --------
    >>> raise limit_fault("cell", "of 0.01 mm makes 9000000 cells", allowed="4000000")
    Traceback (most recent call last):
    ascan.base.errors.LimitError: cell: of 0.01 mm makes 9000000 cells; allowed: 4000000
    """


def fault(
    place: str,
    problem: str,
    *,
    allowed: str = "",
    remedy: str = "",
    kind: type[AscanError] = InputError,
) -> AscanError:
    """Return an error whose sentence always has the same order of parts.

    Examples
    --------
    >>> print(fault("scan.npz", "holds no 'waveforms'", remedy="add that array"))
    scan.npz: holds no 'waveforms'; add that array
    """
    parts = [problem]
    if allowed:
        parts.append(f"allowed: {allowed}")
    if remedy:
        parts.append(remedy)
    found = kind(f"{place}: " + "; ".join(parts))
    found.place, found.problem, found.allowed, found.remedy = place, problem, allowed, remedy
    return found


# Of the rooms whose faults are all of one kind.
procedure_fault = partial(fault, kind=ProcedureError)
calibration_fault = partial(fault, kind=CalibrationError)
file_fault = partial(fault, kind=FileError)
limit_fault = partial(fault, kind=LimitError)


def did_you_mean(word: str, known: Iterable[str], likeness: float = 0.6) -> str:
    """Return a question that names the known word nearest to another, or "" where none is near.

    Examples
    --------
    >>> did_you_mean("meausre", ["measure", "plot"]), did_you_mean("x", ["measure"])
    ("did you mean 'measure'?", '')
    """
    near = difflib.get_close_matches(word, known, 1, likeness)
    return f"did you mean '{near[0]}'?" if near else ""
