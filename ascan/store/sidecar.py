"""What the samples of a foreign file mean, written beside it (TOML) or into its comments."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ascan.base.errors import did_you_mean
from ascan.base.errors import file_fault as fault
from ascan.base.given import toml_of, written_text
from ascan.waveform.recording import FORMS, LEVELS

# One value for all records of a file; those of each record stand in columns.
NUMBERS = ("sample_rate_mhz", "start_us", *LEVELS, "gain_db")
MEANT = (*NUMBERS, *FORMS)

# The comment that names columns of records.
OF_RECORDS = "columns"


def load_sidecar(path: str | Path) -> dict[str, Any]:
    r"""Return what a sidecar file says.

    Raises
    ------
    AscanError
        No file, not TOML, an unknown key, or a value that is none.

    Examples
    --------
    >>> import tempfile
    >>> file = Path(tempfile.mkdtemp()) / "raw.toml"
    >>> _ = file.write_text("sample_rate_mhz = 100.0\nrectified = false")
    >>> load_sidecar(file)
    {'sample_rate_mhz': 100.0, 'rectified': False}
    """
    table = toml_of(written_text(path), str(path))
    for key, value in table.items():
        place = f"{path}: {key}"
        if key not in MEANT:
            allowed = ", ".join(MEANT)
            raise fault(place, "is no key", allowed=allowed, remedy=did_you_mean(key, MEANT))
        if not _fits(key, value):
            allowed = "true or false" if key in FORMS else "a number"
            raise fault(place, f"is {value!r}", allowed=allowed)
    return table


def meant_by(comments: list[str]) -> dict[str, Any]:
    """Return what comments of the form ``key = value`` say, of keys that a sidecar has.

    Examples
    --------
    >>> meant_by(["taken on a Monday", "full_scale = 512", "operator = 7"])
    {'full_scale': 512}
    """
    found: dict[str, Any] = {}
    for comment in comments:
        try:
            table: Mapping[str, Any] = tomllib.loads(comment)
        except (ValueError, RecursionError):
            continue
        found |= {key: value for key, value in table.items() if key in MEANT and _fits(key, value)}
    return found


def columns_told(comments: list[str]) -> frozenset[str]:
    """Return the columns that comments name as such, beside the samples.

    Examples
    --------
    >>> columns_told(["full_scale = 512", 'columns = ["operator"]'])
    frozenset({'operator'})
    """
    for comment in comments:
        try:
            names = tomllib.loads(comment).get(OF_RECORDS, [])
        except (ValueError, RecursionError):
            continue
        if isinstance(names, list) and names and all(isinstance(name, str) for name in names):
            return frozenset(names)
    return frozenset()


def _fits(key: str, value: Any) -> bool:
    if key in FORMS:
        return isinstance(value, bool)
    return isinstance(value, int | float) and not isinstance(value, bool)
