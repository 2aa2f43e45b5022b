"""What a draft would change of a written procedure, key by key, with its reasons."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from typing import Any

# Texts for the records; they change no reading.
NAMES = ("title", "probe.name", "material.name")


def changes(written: str, drafted: str) -> list[str]:
    r"""Return the keys whose values differ: what is written, what is drafted, and why.

    Parameters
    ----------
    written, drafted : str
        Procedures, TOML. Gates are told by their numbers.

    Examples
    --------
    >>> old = '[probe]\narrangement = "contact"\nfrequency_mhz = 4.0'
    >>> new = '[probe]\narrangement = "contact"\nfrequency_mhz = 5.0  # by the echoes'
    >>> changes(old, new)
    ['probe.frequency_mhz: 4.0 -> 5.0 (by the echoes)']
    """
    of_old, of_new = _table(tomllib.loads(written)), _table(tomllib.loads(drafted))
    reasons = dict(_reasons(drafted))
    out = []
    for key in [*of_old, *(key for key in of_new if key not in of_old)]:
        old, new = of_old.get(key, "not stated"), of_new.get(key, "not stated")
        if key in NAMES or old == new:
            continue
        why = f" ({reasons[key]})" if key in reasons else ""
        out.append(f"{key}: {old} -> {new}{why}")
    return out


def _table(table: Mapping[str, Any], above: str = "") -> dict[str, Any]:
    """Return a table's values by dotted keys."""
    out: dict[str, Any] = {}
    for key, value in table.items():
        if isinstance(value, Mapping):
            out |= _table(value, f"{above}{key}.")
        elif isinstance(value, list) and value and isinstance(value[0], Mapping):
            for number, each in enumerate(value):
                out |= _table(each, f"{above}{key}.{number + 1}.")
        else:
            out[f"{above}{key}"] = value
    return out


def _reasons(drafted: str) -> Iterator[tuple[str, str]]:
    """Yield dotted keys of a draft and the comments behind them."""
    above, gates = "", 0
    for line in drafted.splitlines():
        if line.startswith("[["):
            gates += 1
            above = f"{line.strip('[]')}.{gates}."
        elif line.startswith("["):
            above = f"{line.strip('[]')}."
        elif " = " in line and "#" in line:
            value, _, why = line.rpartition("#")
            yield above + value.partition(" = ")[0].strip(), why.strip()
