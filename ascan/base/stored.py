"""Fields that files keep: each says its unit and its meaning once, where it is declared."""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np


def stored(unit: str, meaning: str, default: Any = dataclasses.MISSING, **how: Any) -> Any:
    """Declare a dataclass field that is kept in files, with its unit and meaning.

    With ``later``, older files lack it, and its default stands in.

    Examples
    --------
    >>> @dataclasses.dataclass
    ... class Zero:
    ...     zero_us: float = stored("us", "zero offset")
    >>> [(field.name, field.metadata["unit"]) for field in stored_fields(Zero)]
    [('zero_us', 'us')]
    """
    metadata = {"unit": unit, "meaning": meaning, "later": how.pop("later", False)}
    if "default_factory" in how:
        return dataclasses.field(metadata=metadata, **how)
    return dataclasses.field(default=default, metadata=metadata, **how)


def stored_fields(kind: Any) -> list[dataclasses.Field[Any]]:
    """Return the fields of a dataclass that files keep, in their order."""
    return [field for field in dataclasses.fields(kind) if "unit" in field.metadata]


def freeze_arrays(found: Any) -> None:
    """Replace the arrays of a frozen dataclass by copies that cannot be written to."""
    for field in stored_fields(found):
        value = getattr(found, field.name)
        if isinstance(value, np.ndarray):
            copy = np.array(value)
            copy.flags.writeable = False
            object.__setattr__(found, field.name, copy)


def digest_of(*found: Any) -> str:
    """Return the SHA-256 of all that is kept of objects: names, types, shapes and bytes.

    Taken are stored fields, mappings in the order of their keys, arrays, numbers and texts.
    """
    digest = hashlib.sha256()
    for each in found:
        for part in _parts(each):
            digest.update(hashlib.sha256(part).digest())
    return digest.hexdigest()


def _parts(found: Any) -> Iterator[bytes]:
    if dataclasses.is_dataclass(found):
        for field in stored_fields(found):
            if field.metadata["later"] and getattr(found, field.name) == field.default:
                # As older files have it: their digest was made without.
                continue
            yield field.name.encode()
            yield from _parts(getattr(found, field.name))
    elif isinstance(found, Mapping):
        for key in sorted(found, key=str):
            yield str(key).encode()
            yield from _parts(found[key])
    elif isinstance(found, (np.ndarray, float, np.floating)):
        array = np.ascontiguousarray(found)
        yield f"{array.dtype.str} {array.shape}".encode()
        yield array.tobytes()
    elif isinstance(found, (list, tuple)):
        for value in found:
            yield from _parts(value)
    else:
        yield repr(found).encode()
