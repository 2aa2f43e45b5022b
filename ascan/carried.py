"""Frozen objects that can be copied and sent to another process, read-only mappings and all."""

from __future__ import annotations

from dataclasses import fields
from types import MappingProxyType
from typing import Any


class Carried:
    """Base of frozen dataclasses that hold read-only mappings, which cannot be pickled as such."""

    __slots__ = ()

    def __reduce__(self) -> tuple[Any, ...]:
        values = {each.name: getattr(self, each.name) for each in fields(self) if each.init}  # type: ignore[arg-type]
        return _made, (
            type(self),
            {
                name: dict(value) if isinstance(value, MappingProxyType) else value
                for name, value in values.items()
            },
        )


def _made(kind: type, values: dict[str, Any]) -> Any:
    """Make an object anew, by its own checks."""
    return kind(**values)
