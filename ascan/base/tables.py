"""From a TOML table to a frozen dataclass, strictly: unknown, missing and unfit keys are errors."""

from __future__ import annotations

import dataclasses
import difflib
import math
from collections.abc import Mapping
from typing import Any, TypeVar

from ascan.base.errors import AscanError, InputError, ProcedureError, did_you_mean
from ascan.base.errors import procedure_fault as fault
from ascan.base.units import stem_of, unit_of

T = TypeVar("T")
REQUIRED: Any = dataclasses.MISSING


def number(
    default: Any = REQUIRED,
    *,
    above: float = -math.inf,
    least: float = -math.inf,
    most: float = math.inf,
) -> Any:
    """Declare a dataclass field that holds a finite number within limits."""
    rule = {"kind": "number", "above": above, "least": least, "most": most}
    return dataclasses.field(default=default, metadata=rule)


def text(default: Any = REQUIRED, *, choices: tuple[str, ...] = ()) -> Any:
    """Declare a dataclass field that holds a string, one of ``choices`` if they are given."""
    return dataclasses.field(default=default, metadata={"kind": "text", "choices": choices})


def names(default: Any = REQUIRED) -> Any:
    """Declare a dataclass field that holds a tuple of strings."""
    return dataclasses.field(default=default, metadata={"kind": "names"})


def from_table(cls: type[T], table: Mapping[str, Any], place: str) -> T:
    """Build a dataclass from a table whose keys are its fields.

    Parameters
    ----------
    cls : dataclass type
        Its fields are declared with `number`, `text` or `names`; others are taken as they are.
    table : mapping
        Key to value.
    place : str
        Dotted path of the table, for the error.

    Raises
    ------
    AscanError
        Unknown key (with the nearest known one), missing key, wrong type, value out of limits.
    """
    fields = {f.name: f for f in dataclasses.fields(cls) if f.init}  # type: ignore[arg-type]
    if not isinstance(table, Mapping):
        raise fault(place, f"is {table!r}", allowed="a table", remedy=f"write it as [{place}]")
    for key in table:
        if key not in fields:
            raise unknown_key(place, key, table[key], list(fields))
    values = {key: _checked(fields[key], table[key], f"{place}.{key}") for key in table}
    for name, field in fields.items():
        optional = field.default is not REQUIRED or field.default_factory is not REQUIRED
        if name not in values and not optional:
            raise fault(place, f"lacks the key '{name}'", remedy=_how_to_write(field))
    return cls(**values)


def unknown_key(place: str, key: str, value: Any, known: list[str]) -> AscanError:
    """Return the error for a key that no field has, naming the nearest one in the user's unit."""
    problem = f"unknown key '{key}'"
    if not known:
        return fault(place, problem, remedy="this table takes no keys")
    unit = unit_of(key)
    nearest = max(known, key=lambda name: _likeness(key, name))
    if _likeness(key, nearest) < 0.5:
        return fault(place, problem, allowed=", ".join(known))
    remedy = f"did you mean '{nearest}'?"
    target = unit_of(nearest)
    number_given = isinstance(value, (int, float)) and not isinstance(value, bool)
    if unit and target and unit.kind == target.kind and unit.sign != target.sign and number_given:
        converted = value * unit.factor / target.factor
        remedy += f" {value:g} {unit.sign} is {nearest} = {converted:.6g}"
    return fault(place, problem, remedy=remedy)


def _likeness(key: str, name: str) -> float:
    """Rate how near a known name is: by spelling, then by the quantity its unit measures."""
    ours, theirs = unit_of(name), unit_of(key)
    stems = difflib.SequenceMatcher(None, stem_of(key), stem_of(name)).ratio()
    whole = difflib.SequenceMatcher(None, key, name).ratio()
    same_kind = bool(ours and theirs and ours.kind == theirs.kind)
    return max(stems, whole) + (0.2 if same_kind else 0.0) - (0.1 if ours and not theirs else 0.0)


def _how_to_write(field: dataclasses.Field[Any]) -> str:
    if field.metadata.get("kind") == "text":
        choices = field.metadata["choices"]
        return "allowed: " + ", ".join(choices) if choices else "give it a text"
    unit = unit_of(field.name)
    return f"give it in {unit.sign}" if unit else "add it"


def _checked(field: dataclasses.Field[Any], value: Any, place: str) -> Any:
    kind = field.metadata.get("kind")
    if kind == "number":
        limits = {name: field.metadata[name] for name in _LIMITS}
        return checked_number(value, place, **limits, kind=ProcedureError)
    if kind == "text":
        return _checked_text(value, place, field.metadata["choices"])
    if kind == "names":
        if not isinstance(value, (list, tuple)) or not all(isinstance(v, str) for v in value):
            raise fault(place, f"is {value!r}", allowed="a list of names")
        return tuple(value)
    return value


_LIMITS = ("above", "least", "most")


def checked_number(
    value: Any,
    place: str,
    *,
    above: float = -math.inf,
    least: float = -math.inf,
    most: float = math.inf,
    kind: type[AscanError] = InputError,
) -> float:
    """Return ``value`` as a float if it is a finite number within the limits.

    Raises
    ------
    AscanError
        Not a number, not finite, or outside ``above`` < value, ``least`` <= value <= ``most``.
    """
    unit = unit_of(place)
    sign = f" {unit.sign}" if unit else ""
    try:
        # A numpy scalar is a number here; a truth value and a text of digits are not.
        if isinstance(value, (bool, str, bytes)):
            raise TypeError
        result = float(value)
    except (TypeError, ValueError, OverflowError):
        allowed = f"a number{sign and ' in' + sign}"
        raise fault(place, f"is {value!r}", allowed=allowed, kind=kind) from None
    if not math.isfinite(result) or result <= above or not least <= result <= most:
        limits = [f"above {above:g}{sign}"] if above > -math.inf else []
        limits += [f"at least {least:g}{sign}"] if least > -math.inf else []
        limits += [f"at most {most:g}{sign}"] if most < math.inf else []
        allowed = " and ".join(limits) or "finite"
        remedy = _rescaled(place, result)
        raise fault(place, f"is {result:g}{sign}", allowed=allowed, remedy=remedy, kind=kind)
    return result


def _rescaled(place: str, value: float) -> str:
    """Return a hint where a value out of limits looks like one in another unit."""
    unit = unit_of(place)
    if unit and unit.kind == "velocity" and 300.0 <= value <= 30000.0:
        return f"{value:g} m/s is {value / 1e3:g} mm/µs"
    if unit and unit.kind == "frequency" and value >= 1e5:
        return f"{value:g} Hz is {value / 1e6:g} MHz"
    return ""


def _checked_text(value: Any, place: str, choices: tuple[str, ...]) -> str:
    if not isinstance(value, str):
        raise fault(place, f"is {value!r}", allowed="a text")
    if choices and value not in choices:
        remedy = did_you_mean(value, choices, 0.5)
        raise fault(place, f"is '{value}'", allowed=", ".join(choices), remedy=remedy)
    return value
