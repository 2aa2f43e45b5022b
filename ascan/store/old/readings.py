"""Readings of format 1, by the names of today."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ascan.base.errors import AscanError
from ascan.base.old_names import COLUMNS, GATE_COLUMNS, TWO_MEANINGS, renamed
from ascan.kernels.arrays import Columns
from ascan.procedure.written import Procedure


def columns_of_today(columns: Columns, provenance: Mapping[str, Any]) -> Columns:
    """Return columns of format 1 by their names of today, in their order."""
    try:
        procedure = Procedure.from_text(str(provenance.get("procedure", "")))
    except AscanError:
        # Of joined readings, say: what belongs to no gate keeps its name.
        return {COLUMNS.get(name, name): values for name, values in columns.items()}
    names = dict(COLUMNS)
    for old, (single, whole) in TWO_MEANINGS.items():
        names[old] = whole if procedure.layout.fit_judges_itself else single
    for gate in procedure.gates:
        names |= {f"{gate.name}_{old}": f"{gate.name}_{new}" for old, new in GATE_COLUMNS.items()}
    return {names.get(name, name): values for name, values in columns.items()}


def provenance_of_today(provenance: Mapping[str, Any]) -> dict[str, Any]:
    """Return how readings of format 1 came to be, by the names of today."""
    return renamed(provenance, {"standings": "check_statuses"}, "provenance")
