"""Dataclasses in HDF5: every stored field a dataset or a group, with its unit and meaning."""

from __future__ import annotations

import dataclasses
import typing
from typing import Any, TypeVar

import h5py
import numpy as np

from ascan.base.stored import stored_fields
from ascan.store import schema

T = TypeVar("T")


def write_fields(group: h5py.Group, found: Any) -> None:
    """Write the stored fields of a dataclass into a group."""
    for field in stored_fields(found):
        value, unit = getattr(found, field.name), field.metadata["unit"]
        if dataclasses.is_dataclass(value):
            write_fields(group.create_group(field.name), value)
            group[field.name].attrs["long_name"] = field.metadata["meaning"]
        else:
            item = group.create_dataset(field.name, data=value)
            item.attrs.update({"units": unit, "long_name": field.metadata["meaning"]})


def read_fields(kind: type[T], group: h5py.Group, place: str) -> T:
    """Return a dataclass whose stored fields stand in a group.

    Raises
    ------
    AscanError
        One is missing, or lies in another file.
    """
    hints, values = typing.get_type_hints(kind), dict[str, Any]()
    for field in stored_fields(kind):
        hint = hints[field.name]
        if field.metadata["later"] and field.name not in group:
            continue
        if dataclasses.is_dataclass(hint):
            own = schema.subgroup(group, field.name, place)
            values[field.name] = read_fields(hint, own, place)  # type: ignore[arg-type]
            continue
        item = schema.dataset(group, field.name, place)
        if hint is str:
            values[field.name] = str(item.asstr()[()])
        elif hint in (int, float):
            values[field.name] = hint(item[()])
        else:
            values[field.name] = np.asarray(item[...])
    return kind(**values)
