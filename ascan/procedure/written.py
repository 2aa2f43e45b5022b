"""The written procedure as the engine reads it: probe, material, filter, gates, interval, range."""

from __future__ import annotations

import dataclasses
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

from ascan.base.errors import procedure_fault as fault
from ascan.base.given import toml_of, written_text
from ascan.base.old_names import LIMITS, TABLES, renamed
from ascan.base.picklable import Picklable
from ascan.base.tables import from_table, text, unknown_key
from ascan.checks.limits import limits_of
from ascan.path.material import Material
from ascan.path.modes import Layout
from ascan.path.probe import Pipe, Probe
from ascan.procedure.layout import layout_of
from ascan.procedure.rules import check_tables
from ascan.procedure.signature import signature_of
from ascan.procedure.tables import Coating, Interval, MeasuringRange
from ascan.procedure.usual import as_meant, filled_in
from ascan.timing.gating import Gate, gate_from_table, in_words_of_today
from ascan.uncertainty.allowances import Allowance, Allowances, Component, allowances_of
from ascan.uncertainty.decision import Decision
from ascan.uncertainty.temperature import Temperature
from ascan.waveform.conditioning import Filter
from ascan.waveform.recording import Recording


@dataclass(frozen=True, slots=True, kw_only=True)
class Procedure(Picklable):
    """A procedure, read with `load_procedure` or `Procedure.from_text`.

    Attributes
    ----------
    component : str
        What is measured, by name: readings of two names are not compared, and share nothing of a
        component. "": whatever it is, it is one.
    checks : mapping of str to float
        Every limit of the self-checks, by key.
    text : str
        The TOML it was read from, kept in every file that is written with it.
    of_component : bool
        Whether readings are of a component; else of the block it is calibrated on.
    left_out : tuple of str
        What it leaves out (`ascan.procedure.usual`): ``filter``, and gates without a timing.

    Examples
    --------
    >>> from ascan.examples import PROCEDURE
    >>> procedure = Procedure.from_text(PROCEDURE)
    >>> procedure.interval.mode, procedure.gates[0].start_mm
    ('time_zero_to_echo', 2.0)
    """

    title: str = text("untitled")
    component: str = text("")
    probe: Probe = field()
    material: Material = field(default_factory=Material)
    filter: Filter = field(default_factory=Filter)
    gates: tuple[Gate, ...] = field()
    interval: Interval = field()
    range: MeasuringRange = field(default_factory=MeasuringRange)
    checks: Mapping[str, float] = field(default_factory=lambda: limits_of({}))
    pipe: Pipe | None = None
    second_interval: Interval | None = None
    coating: Coating | None = None
    temperature: Temperature | None = None
    uncertainty: Allowances = field(default_factory=Allowances)
    decision: Decision | None = None
    of_component: bool = True
    text: str = text("")
    left_out: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "checks", MappingProxyType(dict(self.checks)))
        check_tables(self)
        # Whatever holds of an interval holds of a second one: the same checks.
        _ = self.second

    @classmethod
    def from_text(cls, content: str, place: str = "procedure") -> Procedure:
        """Return a procedure from TOML text.

        Raises
        ------
        AscanError
            Not TOML, or an unknown, missing or unfit key, with its dotted path.

        Examples
        --------
        >>> procedure = Procedure.from_text('''
        ... probe = { arrangement = "contact", frequency_mhz = 5.0 }
        ... interval = { mode = "time_zero_to_echo", gates = ["wall"] }
        ... [[gate]]
        ... name = "wall"
        ... start_mm = 2.0
        ... stop_mm = 30.0
        ... threshold = 0.2
        ... ''')
        >>> procedure.gates[0].timing.name, procedure.filter.kind
        ('correlation', 'none')
        """
        return _from_table(toml_of(content, place), content)

    def gate(self, name: str) -> Gate:
        """Return the gate of a name."""
        return next(gate for gate in self.gates if gate.name == name)

    @property
    def layout(self) -> Layout:
        """What the tables settle together."""
        return layout_of(self)

    @property
    def second(self) -> Procedure | None:
        """The procedure of the second interval, where there is one."""
        if self.second_interval is None:
            return None
        return dataclasses.replace(
            self, interval=self.second_interval, second_interval=None, coating=None
        )

    @property
    def on_block(self) -> Procedure:
        """The procedure for readings on the block: nothing of the component is taken off or added.

        Neither its temperature, its own velocity, a known coating, a curvature nor a verdict.
        """
        known = self.coating is not None and self.coating.thickness_mm is not None
        return dataclasses.replace(
            self,
            temperature=None,
            coating=None if known else self.coating,
            decision=None,
            pipe=None,
            of_component=False,
        )

    @property
    def nominal_zero_us(self) -> float:
        """When sound enters a wall right under the probe, by nominal values."""
        geometry = self.probe.geometry()
        if geometry is None:
            return self.probe.delay_us
        return self.probe.delay_us + 2.0 * geometry.height_mm / geometry.velocity_mm_per_us

    def allowances(self, *, velocity_matched: bool = False) -> tuple[list[Allowance], list[str]]:
        """Return what is allowed for besides signal and calibration, and what must be stated.

        Parameters
        ----------
        velocity_matched : bool
            Whether the calibration was carried over to the component by a spot of known thickness.

        Returns
        -------
        allowed : list of Allowance
            As stated, and what is taken where nothing is. On the block, what is stated of the hand.
        unknown : list of str
            Keys for which nothing can be taken: without them there is no verdict.
        """
        of = Component(
            velocity_mm_per_us=self.material.velocity_mm_per_us,
            crosses_film=self.layout.crosses_film,
            temperature_stated=self.temperature is not None,
            velocity_matched=velocity_matched,
        )
        allowed, unknown = allowances_of(self.uncertainty, of)
        if self.of_component:
            return allowed, unknown
        return [one for one in allowed if one.differs], []

    @property
    def known_scatter_us(self) -> float | None:
        """What steps are known to scatter by beyond block and timing; None: the steps tell."""
        stated = self.uncertainty.stated("lack_of_fit_mm")
        velocity = self.interval_material.velocity_mm_per_us
        return None if stated is None else 2.0 * stated / velocity

    @property
    def interval_material(self) -> Material:
        """The material with the velocity that turns half an interval into thickness."""
        ratio = self.layout.mode.velocity_ratio
        return dataclasses.replace(
            self.material,
            velocity_mm_per_us=ratio * self.material.velocity_mm_per_us,
            u_velocity_mm_per_us=ratio * self.material.u_velocity_mm_per_us,
        )

    @property
    def baseline(self) -> str:
        """What becomes of a wandering baseline: ``fitted``, ``filtered`` away, or ``kept``."""
        if self.layout.of_whole_record:
            return "fitted"
        return "kept" if self.filter.kind == "none" else "filtered"

    def meant_for(
        self, recording: Recording, made_with: Mapping[str, Any] | None = None
    ) -> Procedure:
        """Return it with what it leaves out as these records and this calibration have it."""
        return as_meant(self, recording, made_with)

    def signature(self, recording: Recording) -> dict[str, Any]:
        """Return all that decides what a time means; a calibration is bound to it."""
        return signature_of(self, recording)


_TEXTS = {"title": "untitled", "component": ""}
_TABLES: dict[str, type] = {
    "probe": Probe,
    "material": Material,
    "filter": Filter,
    "interval": Interval,
    "range": MeasuringRange,
    "pipe": Pipe,
    "second_interval": Interval,
    "coating": Coating,
    "temperature": Temperature,
    "uncertainty": Allowances,
    "decision": Decision,
}


def _from_table(table: Mapping[str, Any], content: str) -> Procedure:
    table, left_out = filled_in(renamed(table, TABLES, "procedure"))
    known = [*_TEXTS, *_TABLES, "checks", "gate"]
    for key in table:
        if key not in known:
            raise unknown_key("procedure", key, table[key], known)
    for key, how in (("probe", "[probe]"), ("interval", "[interval]"), ("gate", "[[gate]]")):
        if key not in table:
            raise fault("procedure", f"lacks the table '{key}'", remedy=f"add {how}")
    gates = table["gate"]
    if not isinstance(gates, list) or not gates:
        raise fault("gate", "is not a list of gates", remedy="write each gate as [[gate]]")
    parts: dict[str, Any] = {
        key: from_table(cls, table[key], key) for key, cls in _TABLES.items() if key in table
    }
    if "checks" in table:
        parts["checks"] = limits_of(table["checks"])
    texts = {name: table.get(name, usual) for name, usual in _TEXTS.items()}
    for name, found in texts.items():
        if not isinstance(found, str):
            raise fault(name, f"is {found!r}", allowed="a text")
    return Procedure(
        **texts,
        gates=tuple(gate_from_table(gate, _gate_place(gate, k)) for k, gate in enumerate(gates)),
        text=content,
        left_out=left_out,
        **parts,
    )


def _gate_place(gate: Any, number: int) -> str:
    """Return how an error names a gate: by its name where it has one, else by its place."""
    name = gate.get("name") if isinstance(gate, Mapping) else None
    return f"gate '{name}'" if isinstance(name, str) else f"gate number {number + 1}"


def check_procedure(procedure: Any) -> None:
    """Refuse what is no `Procedure`, such as the path of its file."""
    if not isinstance(procedure, Procedure):
        found = type(procedure).__name__
        raise fault("procedure", f"is of type {found}", remedy="load the procedure")


def load_procedure(path: str | Path) -> Procedure:
    """Return the procedure in a TOML file.

    Parameters
    ----------
    path : str or Path
        TOML, in UTF-8.

    Returns
    -------
    procedure : Procedure

    Raises
    ------
    AscanError
        The file cannot be read, or is no procedure.

    Examples
    --------
    >>> load_procedure("no_such_file.toml")
    Traceback (most recent call last):
    ascan.base.errors.FileError: no_such_file.toml: cannot be read (No such file or directory)
    """
    return Procedure.from_text(written_text(path), str(path))


def tables_of(content: str) -> dict[str, Any]:
    """Return the tables of a procedure's text in the words of today, for comparing two of them."""
    tables = renamed(tomllib.loads(content), TABLES, "procedure")
    tables["checks"] = renamed(tables.get("checks", {}), LIMITS, "checks")
    tables["gate"] = [in_words_of_today(gate, "gate") for gate in tables.get("gate", [])]
    return tables
