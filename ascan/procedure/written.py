"""The written procedure as the engine reads it: probe, material, filter, gates, interval, range."""

from __future__ import annotations

import dataclasses
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ascan.base.errors import fault
from ascan.base.tables import from_table, number, text, text_of, unknown_key
from ascan.checks.thresholds import Checks
from ascan.finding.echo import OWN_PEAK_PERIODS
from ascan.path.aperture import SHEAR_RATIO
from ascan.path.material import Material
from ascan.path.probe import Pipe, Probe
from ascan.procedure.interval import Interval
from ascan.results.readings import RESULT_COLUMNS, gate_columns
from ascan.timing.gating import Gate, gate_from_table
from ascan.uncertainty.allowances import Allowances
from ascan.uncertainty.decision import Decision
from ascan.uncertainty.temperature import Temperature
from ascan.waveform.conditioning import Filter
from ascan.waveform.recording import Recording


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuringRange:
    """Thicknesses the procedure is written for."""

    min_mm: float = number(0.0, least=0.0)
    max_mm: float = number(1000.0, above=0.0)

    def __post_init__(self) -> None:
        if self.min_mm >= self.max_mm:
            raise fault(
                "range",
                f"runs from {self.min_mm:g} to {self.max_mm:g} mm",
                allowed="min_mm below max_mm",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Coating:
    """The coating that an interval crosses.

    With a witness that does not cross it, its thickness is found from the two. Of a known thickness
    (then no witness is needed), it is taken off.
    """

    velocity_mm_per_us: float = number(above=0.0, most=10.0)
    u_velocity_mm_per_us: float = number(0.0, least=0.0, most=3.0)
    thickness_mm: float | None = number(None, above=0.0, most=100.0)
    u_thickness_mm: float | None = number(None, least=0.0, most=10.0)

    def __post_init__(self) -> None:
        if (self.thickness_mm is None) != (self.u_thickness_mm is None):
            raise fault(
                "coating", "needs both of thickness_mm and u_thickness_mm, or neither of them"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Procedure:
    """A procedure, read with `load_procedure` or `Procedure.from_text`.

    Attributes
    ----------
    text : str
        The TOML it was read from, kept in every file that is written with it.

    Examples
    --------
    >>> from ascan.examples import PROCEDURE
    >>> procedure = Procedure.from_text(PROCEDURE)
    >>> procedure.interval.mode, procedure.gates[0].start_mm
    ('time_zero_to_echo', 2.0)
    """

    title: str = text("untitled")
    probe: Probe = field()
    material: Material = field(default_factory=Material)
    filter: Filter = field(default_factory=Filter)
    gates: tuple[Gate, ...] = field()
    interval: Interval = field()
    range: MeasuringRange = field(default_factory=MeasuringRange)
    checks: Checks = field(default_factory=Checks)
    pipe: Pipe | None = None
    witness: Interval | None = None
    coating: Coating | None = None
    temperature: Temperature | None = None
    uncertainty: Allowances = field(default_factory=Allowances)
    decision: Decision | None = None
    text: str = text("")

    def __post_init__(self) -> None:
        if self.pipe is not None and self.probe.arrangement != "dual":
            raise fault(
                "pipe",
                f"is given for a {self.probe.arrangement} probe",
                allowed="a dual probe, whose elements may straddle the crown",
            )
        earlier: set[str] = set()
        for gate in self.gates:
            if gate.name in earlier:
                raise fault(f"gate '{gate.name}'", "is there twice", remedy="rename one")
            if gate.follows and gate.follows not in earlier:
                raise fault(
                    f"gate '{gate.name}'",
                    f"follows '{gate.follows}'",
                    allowed=f"a gate above it ({', '.join(sorted(earlier)) or 'none'})",
                    remedy="put that gate above this one",
                )
            earlier.add(gate.name)
            of_first = ("time_zero_to_echo", "echo_to_converted", "whole_record")
            if gate.echo == "head" and self.interval.mode not in of_first:
                raise fault(
                    f"gate '{gate.name}'",
                    f"seeks a head but the interval is {self.interval.mode}",
                    allowed="heads with time_zero_to_echo: a dual probe has no interface echo",
                )
        self._check_trains()
        self._check_diffraction()
        self._check_surface()
        columns = [name for gate in self.gates for name in gate_columns(gate.name)]
        for name in columns:
            if columns.count(name) > 1 or name in RESULT_COLUMNS:
                raise fault("gate", f"names make two columns '{name}'", remedy="rename one gate")
        order = self.interval.gates
        for name in order:
            if name not in earlier:
                raise fault(
                    "interval.gates",
                    f"names '{name}'",
                    allowed=", ".join(gate.name for gate in self.gates),
                )

        for k, name in enumerate(order):
            if self.gate(name).follows in order[k + 1 :]:
                raise fault(
                    "interval.gates",
                    f"names '{name}' before '{self.gate(name).follows}', which it follows",
                    allowed="the order of arrival",
                )
        self._check_whole_record()
        self._check_witness()

    def _check_witness(self) -> None:
        """Refuse a witness that is no second interval, and a coating that none can show."""
        self._check_coating()
        if self.witness is None:
            return
        if self.witness.mode == self.interval.mode:
            raise fault(
                "witness.mode",
                f"is '{self.witness.mode}', like the interval's",
                allowed="another mode: the same one bears no witness",
            )
        # Whatever holds of an interval holds of it: the same checks.
        _ = self.second

    def _check_coating(self) -> None:
        """Refuse a coating that nothing can be made of."""
        if self.coating is None:
            return
        known = self.coating.thickness_mm is not None
        if not known and self.witness is None and self.interval.mode != "whole_record":
            raise fault(
                "coating",
                "is given without a witness and without its thickness",
                remedy="add [witness], or thickness_mm and u_thickness_mm",
            )
        if known and self.witness is not None:
            raise fault("coating.thickness_mm", "is given beside a witness, which finds it")
        if known and self.interval.mode not in ("time_zero_to_echo", "interface_to_echo"):
            raise fault(
                "coating.thickness_mm",
                f"is given but the interval is {self.interval.mode}, which does not cross it",
                remedy="leave it out",
            )

    def _check_surface(self) -> None:
        """Refuse an interval from a surface echo of a probe that hears none."""
        probe = self.probe.arrangement
        if self.interval.mode == "interface_to_echo" and probe in ("contact", "dual"):
            raise fault(
                "interval.mode",
                f"is 'interface_to_echo', and a probe of the arrangement '{probe}' hears no "
                "surface echo",
                allowed="arrangement delay_line or immersion, or another mode",
            )

    def _check_diffraction(self) -> None:
        """Refuse a diffraction correction that is not worked out for this probe."""
        if self.interval.diffraction == "none":
            return
        contact = self.probe.arrangement == "contact" or self.interval.mode == "whole_record"
        if not contact or self.probe.element_diameter_mm is None:
            raise fault(
                "interval.diffraction",
                f"is 'round_element' for a {self.probe.arrangement} probe "
                f"{'without' if self.probe.element_diameter_mm is None else 'with'} "
                "element_diameter_mm",
                allowed="a contact probe, or a whole record, whose element_diameter_mm is given",
            )

    def _check_whole_record(self) -> None:
        """Refuse a whole record without a surface echo and a gate that says where the wall is."""
        if self.interval.mode != "whole_record":
            return
        if self.probe.arrangement == "dual" and self.probe.geometry() is not None:
            if self.gate(self.interval.gates[0]).echo != "head" or len(self.interval.gates) != 1:
                raise fault(
                    "interval.gates",
                    f"names {', '.join(self.interval.gates)}",
                    allowed="one gate with echo = 'head' for the whole record of a dual probe",
                )
            return
        if self.probe.arrangement not in ("delay_line", "immersion"):
            raise fault(
                "interval.mode",
                f"is 'whole_record' for a {self.probe.arrangement} probe",
                allowed="delay_line or immersion (the surface echo is time zero), or a dual probe "
                "whose dimensions are given",
            )
        if len(self.interval.gates) != 2:
            raise fault("interval.gates", f"names {len(self.interval.gates)}", allowed="two gates")
        surface, wall = self.interval.gates
        if self.gate(wall).follows != surface:
            raise fault(
                f"gate '{wall}'",
                f"does not follow '{surface}'",
                remedy="let it follow the surface gate: it bounds the thickness sought",
            )

    def _check_trains(self) -> None:
        """Refuse a train that is not the only gate of an echo-to-echo interval, and one gate else.

        A train has a spacing of its own; any other echo needs a second one to be timed against.
        """
        trains = [gate.name for gate in self.gates if gate.echo == "train"]
        alone = self.interval.mode == "echo_to_echo" and len(self.interval.gates) == 1
        if alone and self.interval.gates[0] not in trains:
            raise fault(
                "interval.gates",
                f"names 1 ({self.interval.gates[0]})",
                allowed="2 or more different gates for echo_to_echo, or one with echo = 'train'",
            )
        if trains and not (alone and trains == list(self.interval.gates)):
            raise fault(
                f"gate '{trains[0]}'",
                f"seeks a train but the interval is {self.interval.mode} of "
                f"{', '.join(self.interval.gates)}",
                allowed="the only gate of echo_to_echo",
            )

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
        >>> procedure.gates[0].timing.name
        'peak'
        """
        try:
            table = tomllib.loads(content)
        except (tomllib.TOMLDecodeError, RecursionError) as problem:
            raise fault(place, f"is not TOML: {problem}") from None
        return _from_table(table, content)

    def gate(self, name: str) -> Gate:
        """Return the gate of a name."""
        return next(gate for gate in self.gates if gate.name == name)

    @property
    def second(self) -> Procedure | None:
        """The procedure of the witness, where there is one."""
        if self.witness is None:
            return None
        return dataclasses.replace(self, interval=self.witness, witness=None, coating=None)

    @property
    def on_block(self) -> Procedure:
        """The procedure for readings on the block: nothing of the component is taken off or added.

        Neither its temperature, its own velocity, a known coating, a curvature nor a verdict.
        """
        known = self.coating is not None and self.coating.thickness_mm is not None
        allowed = dataclasses.replace(
            self.uncertainty, component_velocity_percent=None, curvature_mm=None
        )
        return dataclasses.replace(
            self,
            temperature=None,
            coating=None if known else self.coating,
            decision=None,
            pipe=None,
            uncertainty=allowed,
        )

    @property
    def interval_material(self) -> Material:
        """The material with the velocity that turns half an interval into thickness.

        The wall's own; but an echo that runs one way as a transverse wave comes d (1/v_T − 1/v_L)
        after the one that does not.
        """
        if self.interval.mode != "echo_to_converted":
            return self.material
        ratio = 2.0 * SHEAR_RATIO / (1.0 - SHEAR_RATIO)
        return dataclasses.replace(
            self.material,
            velocity_mm_per_us=ratio * self.material.velocity_mm_per_us,
            u_velocity_mm_per_us=ratio * self.material.u_velocity_mm_per_us,
        )

    @property
    def surface_gate(self) -> str:
        """Name of the gate that holds the surface echo, or "".

        Interface to echo, it is the first gate of the interval; else, with a delay line or in
        immersion, a gate that the first used one follows directly.
        """
        if self.probe.arrangement in ("contact", "dual"):
            return ""
        first = self.interval.gates[0]
        if self.interval.mode in ("interface_to_echo", "whole_record"):
            return first
        return self.gate(first).follows

    @property
    def baseline(self) -> str:
        """What becomes of a wandering baseline: ``fitted``, ``filtered`` away, or ``kept``."""
        if self.interval.mode == "whole_record":
            return "fitted"
        return "kept" if self.filter.kind == "none" else "filtered"

    @property
    def nominal_zero_us(self) -> float:
        """When sound enters a wall right under the probe, by nominal values."""
        geometry = self.probe.geometry()
        if geometry is None:
            return self.probe.delay_us
        return self.probe.delay_us + 2.0 * geometry.height_mm / geometry.velocity_mm_per_us

    @property
    def reach_us(self) -> float:
        """How far from its peak an echo is taken to reach: one and a half periods."""
        return OWN_PEAK_PERIODS / self.probe.frequency_mhz

    @property
    def is_train(self) -> bool:
        """Whether the interval is the spacing of one train of echoes."""
        return self.gate(self.interval.gates[0]).echo == "train"

    @property
    def not_stated(self) -> list[str]:
        """What it leaves open, so that no u holds it: keys of ``[uncertainty]``, temperature."""
        return self.uncertainty.not_stated + ([] if self.temperature else ["temperature"])

    def signature(self, recording: Recording) -> dict[str, Any]:
        """Return all that decides what a time means; a calibration is bound to it.

        The newer forms of a record are named only where they hold: a calibration that was made
        before they had a name stays good for the records it was made for.
        """
        newer = {"peak_held": recording.peak_held, "gated_only": recording.gated_only}
        shaped = any(getattr(gate.timing, "takes_template", False) for gate in self.gates)
        shaped |= self.interval.mode == "whole_record"
        spread = self.interval.diffraction != "none"
        band: dict[str, Any] = {}
        if shaped or spread:
            band["bandwidth_percent"] = self.probe.bandwidth_percent
        if spread:
            band["freed_of_diffraction_mm"] = self.probe.element_diameter_mm
        return {
            "mode": self.interval.mode,
            "echoes": {
                f"echo_{k + 1}": self._gate_signature(self.gate(name))
                for k, name in enumerate(self.interval.gates)
            },
            "filter": self.filter.signature(),
            "probe": {
                "name": self.probe.name,
                "arrangement": self.probe.arrangement,
                "frequency_mhz": self.probe.frequency_mhz,
            }
            | band,
            "sample_rate_mhz": recording.sample_rate_mhz,
            "rectified": recording.rectified,
        } | {key: True for key, holds in newer.items() if holds}

    def _gate_signature(self, gate: Gate) -> dict[str, Any]:
        """Return a gate's signature; where polarity is relative, with that of the followed gate."""
        signature = gate.signature()
        if gate.half_cycles in ("same", "opposite"):
            signature["against"] = self._gate_signature(self.gate(gate.follows))
        return signature

    def check_recording(self, recording: Recording) -> None:
        """Refuse a recording that the procedure's methods cannot work on.

        Raises
        ------
        AscanError
            A rectified record with a band-pass, with a half-cycle that counts, or with a method
            that needs the radio-frequency signal; a peak-held one with a method that times what
            holding moves.
        """
        if not recording.rectified:
            return
        for gate in self.gates:
            if gate.echo == "head":
                raise fault(
                    f"gate '{gate.name}'",
                    "seeks a head but the record is rectified: which half-cycle opens an echo "
                    "cannot be told",
                    remedy="store the RF signal, or seek the first echo",
                )
        if self.filter.kind != "none":
            raise fault(
                "filter",
                "is a band-pass but the record is rectified",
                remedy="set filter.kind = 'none' or store the RF signal",
            )
        for gate in self.gates:
            if gate.half_cycles != "any":
                raise fault(
                    f"gate '{gate.name}'",
                    f"counts {gate.half_cycles} half-cycles but the record is rectified",
                    remedy="set half_cycles = 'any'",
                )
            if gate.timing.needs_rf:
                raise fault(
                    f"gate '{gate.name}'",
                    f"method {gate.timing.name} needs the RF signal but the record is rectified",
                    remedy="use peak or first_crossing",
                )
            if recording.peak_held and not getattr(gate.timing, "works_on_held", False):
                raise fault(
                    f"gate '{gate.name}'",
                    f"times by {_method_in_words(gate)} but the record is peak-held: where in the "
                    "hold a peak lies, and of which half-cycle it is, cannot be seen",
                    remedy="use first_crossing with a level, the one instant that holding keeps",
                )


def _method_in_words(gate: Gate) -> str:
    """Return a gate's timing method with the options that are given."""
    signature = gate.timing.signature()
    given = [key for key, value in signature.items() if key != "method" and value is not None]
    return " with ".join([gate.timing.name, *given])


_TABLES: dict[str, type] = {
    "probe": Probe,
    "material": Material,
    "filter": Filter,
    "interval": Interval,
    "range": MeasuringRange,
    "checks": Checks,
    "pipe": Pipe,
    "witness": Interval,
    "coating": Coating,
    "temperature": Temperature,
    "uncertainty": Allowances,
    "decision": Decision,
}


def _from_table(table: Mapping[str, Any], content: str) -> Procedure:
    known = ["title", *_TABLES, "gate"]
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
    title = table.get("title", "untitled")
    if not isinstance(title, str):
        raise fault("title", f"is {title!r}", allowed="a text")
    return Procedure(
        title=title,
        gates=tuple(gate_from_table(gate, _gate_place(gate, k)) for k, gate in enumerate(gates)),
        text=content,
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

    Raises
    ------
    AscanError
        The file cannot be read, or is no procedure.

    Examples
    --------
    >>> load_procedure("no_such_file.toml")
    Traceback (most recent call last):
    ascan.base.errors.AscanError: no_such_file.toml: cannot be read (No such file or directory)
    """
    return Procedure.from_text(text_of(path), str(path))
