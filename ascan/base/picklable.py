"""Frozen objects that can be copied and sent to another process, read-only mappings and all."""

from __future__ import annotations

from dataclasses import fields
from types import MappingProxyType
from typing import Any


class Picklable:
    """Base of frozen dataclasses that hold read-only mappings, which cannot be pickled as such."""

    __slots__ = ()

    def __reduce__(self) -> tuple[Any, ...]:
        values = {}
        for each in fields(self):  # type: ignore[arg-type]
            if each.init:
                value = getattr(self, each.name)
                values[each.name] = dict(value) if isinstance(value, MappingProxyType) else value
        return _made, (type(self), values)


def _made(kind: type, values: dict[str, Any]) -> Any:
    """Make an object anew, by its own checks."""
    return kind(**values)
