"""The checks of a series on disk: a JSON file that only grows."""

from __future__ import annotations

import dataclasses
import hashlib
import itertools
import json
import operator
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

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
        checks = [CheckReading(**entry) for entry in content["checks"]]
    except AscanError:
        raise
    except (ValueError, KeyError, TypeError, AttributeError) as problem:
        raise fault(str(path), f"is no file of checks ({problem})") from None
    # Files of earlier versions have no chain.
    if "chain" in content:
        _refuse_changed(path, checks, content["chain"])
    return checks


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


def chain_of(checks: Sequence[CheckReading]) -> list[str]:
    """Return a digest for each check, of it and of all before it.

    What was changed later fits its digest no longer, nor does anything after it.
    """
    chain, digest = [], ""
    for check in checks:
        entry = json.dumps(dataclasses.asdict(check), sort_keys=True)
        digest = hashlib.sha256(f"{digest}\n{entry}".encode()).hexdigest()
        chain.append(digest)
    return chain


def _refuse_changed(path: str | Path, checks: list[CheckReading], written: list[str]) -> None:
    """Refuse a series that is no longer as it was written: from which check on."""
    due = chain_of(checks)
    sound = sum(itertools.takewhile(bool, map(operator.eq, due, written)))
    if sound < max(len(due), len(written)):
        after = "from the first on"
        if sound:
            when = datetime.fromtimestamp(checks[sound - 1].time_s, UTC)
            after = f"after number {sound}, of {when:%Y-%m-%d %H:%M} UTC"
        raise fault(
            str(path),
            f"holds checks that were changed since they were written: {after}",
            remedy="get the file back as it was; what stands in it confirms nothing",
        )


def refuse_lost(provenance: Mapping[str, Any], checks: Sequence[CheckReading], place: str) -> None:
    """Refuse a series that no longer holds the checks that readings were settled by before.

    Raises
    ------
    AscanError
        Checks were taken out of it, or it is another one.
    """
    chain = chain_of(checks)
    for each in provenance.get("check_statuses", []):
        if each.get("chain") and each["chain"] not in chain:
            raise fault(
                place,
                f"does not hold the {each['checks']} checks that the readings were settled by on "
                f"{each['settled']}",
                remedy="get the series back as it was; a check that failed is not taken back",
            )


def _add(path: str | Path, checks: Sequence[CheckReading]) -> list[CheckReading]:
    earlier = load_series(path) if Path(path).exists() else []
    made_with = {check.calibration for check in [*earlier, *checks]}
    if len(made_with) > 1:
        raise fault(
            str(path),
            "holds checks of another calibration",
            remedy="begin a series of its own for each calibration",
        )
    every = [*earlier, *checks]
    content = {
        "format": FORMAT,
        "format_version": VERSION,
        "checks": [dataclasses.asdict(check) for check in every],
        "chain": chain_of(every),
    }
    with whole_file(path, replace=True) as part:
        Path(part).write_text(json.dumps(content, indent=1), encoding="utf-8")
    return every
