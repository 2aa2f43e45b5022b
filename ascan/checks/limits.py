"""The limits of the self-checks, as a procedure states them in ``[checks]``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ascan.base.errors import fault
from ascan.base.old_names import LIMITS, renamed
from ascan.base.tables import checked_number, unknown_key
from ascan.checks.table import keys


def limits_of(table: Mapping[str, Any], place: str = "checks") -> dict[str, float]:
    """Return every limit, by key: stated, else its default.

    Raises
    ------
    AscanError
        Unknown key (with the nearest known one), wrong type, value out of limits.

    Examples
    --------
    >>> limits_of({"min_snr_db": 20})["min_snr_db"]
    20.0
    """
    known = keys()
    if not isinstance(table, Mapping):
        raise fault(place, f"is {table!r}", allowed="a table", remedy=f"write it as [{place}]")
    table = renamed(table, LIMITS, place)
    for name in table:
        if name not in known:
            raise unknown_key(place, name, table[name], list(known))
    limits = {name: key.default for name, key in known.items()}
    for name, value in table.items():
        key = known[name]
        limits[name] = checked_number(
            value, f"{place}.{name}", above=key.above, least=key.least, most=key.most
        )
    return limits
