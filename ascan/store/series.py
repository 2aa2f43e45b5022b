"""The checks of a series on disk: a JSON file that only grows."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from pathlib import Path

from ascan.base.errors import AscanError
from ascan.base.errors import file_fault as fault
from ascan.base.given import written_text
from ascan.results.series import CheckReading
from ascan.store.replacing import held, whole_file

FORMAT, VERSION = "ascan-series", 1


def load_series(path: str | Path) -> list[CheckReading]:
    """Return the checks in a file, in the order they were made.

    Raises
    ------
    AscanError
        Not there, or not such a file.
    """
    try:
        content = json.loads(written_text(path))
        stated = (content.get("format"), content.get("format_version"))
        if stated != (FORMAT, VERSION):
            raise ValueError(f"format {stated[0]}, version {stated[1]}")
        return [CheckReading(**entry) for entry in content["checks"]]
    except AscanError:
        raise
    except (ValueError, KeyError, TypeError, AttributeError) as problem:
        raise fault(str(path), f"is no file of checks ({problem})") from None


def add_checks(path: str | Path, checks: Sequence[CheckReading]) -> list[CheckReading]:
    """Add checks to a file and return all of it; what stands in it is never changed.

    Two programs that add at one time wait for each other.

    Raises
    ------
    AscanError
        The file is of another kind, or its checks were read with another calibration.
    """
    with held(path):
        return _add(path, checks)


def _add(path: str | Path, checks: Sequence[CheckReading]) -> list[CheckReading]:
    earlier = load_series(path) if Path(path).exists() else []
    made_with = {check.calibration for check in [*earlier, *checks]}
    if len(made_with) > 1:
        raise fault(
            str(path),
            "holds checks of another calibration",
            remedy="begin a series of its own for each calibration",
        )
    content = {
        "format": FORMAT,
        "format_version": VERSION,
        "checks": [dataclasses.asdict(check) for check in [*earlier, *checks]],
    }
    with whole_file(path, replace=True) as part:
        Path(part).write_text(json.dumps(content, indent=1), encoding="utf-8")
    return [*earlier, *checks]
