"""What a calibration is bound to: the timing signature, and how two of them differ."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def differences(
    ours: Mapping[str, Any], theirs: Mapping[str, Any], path: str = ""
) -> list[tuple[str, Any, Any]]:
    """Return (dotted name, our value, their value) for all that differs between two signatures.

    Examples
    --------
    >>> differences({"mode": "echo_to_echo"}, {"mode": "interface_to_echo"})
    [('mode', 'echo_to_echo', 'interface_to_echo')]
    """
    found: list[tuple[str, Any, Any]] = []
    for key in sorted(set(ours) | set(theirs)):
        left, right = ours.get(key), theirs.get(key)
        name = f"{path}{key}"
        if isinstance(left, Mapping) and isinstance(right, Mapping):
            found += differences(left, right, f"{name}.")
        elif left != right:
            found.append((name, left, right))
    return found
