"""The one error a caller's mistake raises: where, what, the value, what is allowed, the way out."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class AscanError(ValueError):
    """A fault of the caller, told in one sentence that names the way out.

    A fault of one waveform is never an error: it sets a flag (see `ascan.Flag`).

    Examples
    --------
    >>> raise AscanError("sample_rate_mhz is -1 MHz; it must be above 0 MHz")
    Traceback (most recent call last):
    ascan.base.errors.AscanError: sample_rate_mhz is -1 MHz; it must be above 0 MHz
    """


def fault(place: str, problem: str, *, allowed: str = "", remedy: str = "") -> AscanError:
    """Return an `AscanError` whose sentence always has the same order of parts.

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
    return AscanError(f"{place}: " + "; ".join(parts))


def did_you_mean(word: str, known: Iterable[str], likeness: float = 0.6) -> str:
    """Return a question that names the known word nearest to another, or "" where none is near.

    Examples
    --------
    >>> did_you_mean("meausre", ["measure", "plot"]), did_you_mean("x", ["measure"])
    ("did you mean 'measure'?", '')
    """
    near = difflib.get_close_matches(word, known, 1, likeness)
    return f"did you mean '{near[0]}'?" if near else ""
