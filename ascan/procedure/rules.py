"""What the tables of a procedure must agree on, and which records it can be used on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ascan.base.errors import procedure_fault as fault
from ascan.checks.table import columns
from ascan.path.modes import MODES, Begins
from ascan.results.readings import GATE_COLUMNS, RESULT_COLUMNS, gate_column
from ascan.timing.gating import Gate
from ascan.waveform.recording import Recording

if TYPE_CHECKING:
    from ascan.procedure.written import Procedure


def check_tables(how: Procedure) -> None:
    """Refuse tables that contradict each other.

    Raises
    ------
    AscanError
        With the place in the procedure and the way out.
    """
    _check_pipe(how)
    _check_gates(how)
    _check_trains(how)
    _check_diffraction(how)
    _check_arrangement(how)
    _check_columns(how)
    _check_order(how)
    _check_whole_record(how)
    _check_coating(how)
    _check_second(how)


def _check_pipe(how: Procedure) -> None:
    """Refuse a pipe under a single element of unknown width: the film beside its crown is that."""
    probe = how.probe
    if how.pipe is not None and not probe.is_dual and probe.element_diameter_mm is None:
        raise fault(
            "pipe",
            f"is stated for a {probe.arrangement} probe without element_diameter_mm",
            allowed="a dual-element probe, or a single element of known diameter",
            remedy="give element_diameter_mm, or leave out [pipe]",
        )


def _check_gates(how: Procedure) -> None:
    """Refuse gates of one name, that follow one below them, or that seek what the mode has not."""
    earlier: set[str] = set()
    for gate in how.gates:
        place = f"gate '{gate.name}'"
        if gate.name in earlier:
            raise fault(place, "is there twice", remedy="rename one")
        if gate.follows and gate.follows not in earlier:
            raise fault(
                place,
                f"follows '{gate.follows}'",
                allowed=f"a gate above it ({', '.join(sorted(earlier)) or 'none'})",
                remedy="put that gate above this one",
            )
        earlier.add(gate.name)
        if gate.seeks_first_arrival and not MODES[how.interval.mode].times_first_arrival:
            raise fault(
                place,
                f"seeks a first arrival but the interval is {how.interval.mode}",
                allowed="first arrivals with time_zero_to_echo: a dual probe has no interface echo",
            )


def _check_trains(how: Procedure) -> None:
    """Refuse a train that is not the only gate of an echo-to-echo interval, and one gate else.

    A train has a spacing of its own; any other echo needs a second one to be timed against.
    """
    names, trains = how.interval.gates, [gate.name for gate in how.gates if gate.seeks_train]
    mode = MODES[how.interval.mode]
    alone = not mode.free_zero and len(names) == 1
    if alone and names[0] not in trains:
        raise fault(
            "interval.gates",
            f"names 1 ({names[0]})",
            allowed="2 or more different gates for echo_to_echo, or one with echo = 'train'",
        )
    if trains and not (alone and trains == list(names)):
        raise fault(
            f"gate '{trains[0]}'",
            f"seeks a train but the interval is {mode.name} of {', '.join(names)}",
            allowed="the only gate of echo_to_echo",
        )


def _check_diffraction(how: Procedure) -> None:
    """Refuse a diffraction correction that is not worked out for this probe."""
    if how.interval.diffraction == "none":
        return
    probe, mode = how.probe, MODES[how.interval.mode]
    interface_timed = mode.begins is Begins.INTERFACE
    plain = interface_timed or not (probe.hears_interface or probe.is_dual)
    worked_out = mode.models_record or plain
    if not worked_out or probe.element_diameter_mm is None:
        raise fault(
            "interval.diffraction",
            f"is 'round_element' for a {probe.arrangement} probe "
            f"{'without' if probe.element_diameter_mm is None else 'with'} element_diameter_mm",
            allowed="a contact probe, an interval from the interface echo, or a whole record, with "
            "element_diameter_mm",
        )


def _check_arrangement(how: Procedure) -> None:
    """Refuse an interval that needs an interface echo of a probe that hears none.

    The model of a dual probe's whole record needs the probe's dimensions instead.
    """
    mode, probe = MODES[how.interval.mode], how.probe
    modelled = probe.is_dual and mode.models_record
    known = probe.geometry() is not None or not modelled
    if known and probe.arrangement in mode.arrangements:
        return
    other = "a dual probe whose dimensions are given" if "dual" in mode.arrangements else "another"
    raise fault(
        "interval.mode",
        f"is '{mode.name}', and a probe of the arrangement '{probe.arrangement}' hears no "
        "interface echo",
        allowed=f"arrangement delay_line or immersion, or {other}",
    )


def _check_columns(how: Procedure) -> None:
    """Refuse names of gates that make two columns of one name."""
    suffixes = [*GATE_COLUMNS, *columns(of_gate=True)]
    named = [gate_column(gate.name, suffix) for gate in how.gates for suffix in suffixes]
    taken = {*RESULT_COLUMNS, *columns(of_gate=False)}
    for name in named:
        if named.count(name) > 1 or name in taken:
            raise fault("gate", f"names make two columns '{name}'", remedy="rename one gate")


def _check_order(how: Procedure) -> None:
    """Refuse an interval between gates that are not there, or not in the order of arrival."""
    order, known = how.interval.gates, [gate.name for gate in how.gates]
    for name in order:
        if name not in known:
            raise fault("interval.gates", f"names '{name}'", allowed=", ".join(known))
    for k, name in enumerate(order):
        followed = how.gate(name).follows
        if followed in order[k + 1 :]:
            raise fault(
                "interval.gates",
                f"names '{name}' before '{followed}', which it follows",
                allowed="the order of arrival",
            )


def _check_whole_record(how: Procedure) -> None:
    """Refuse a whole record whose gates do not say where it begins and where the wall is."""
    if not MODES[how.interval.mode].models_record:
        return
    names = how.interval.gates
    if how.probe.is_dual:
        if not how.gate(names[0]).seeks_first_arrival or len(names) != 1:
            raise fault(
                "interval.gates",
                f"names {', '.join(names)}",
                allowed="one gate with echo = 'first_arrival' for the whole record of a dual probe",
            )
        return
    if len(names) != 2:
        raise fault("interval.gates", f"names {len(names)}", allowed="two gates")
    surface, wall = names
    if how.gate(wall).follows != surface:
        raise fault(
            f"gate '{wall}'",
            f"does not follow '{surface}'",
            remedy="let it follow the interface gate: it bounds the thickness sought",
        )


def _check_coating(how: Procedure) -> None:
    """Refuse a coating that nothing can be made of."""
    if how.coating is None:
        return
    known, mode = how.coating.thickness_mm is not None, MODES[how.interval.mode]
    if not known and how.second_interval is None and not mode.models_record:
        raise fault(
            "coating",
            "is given without a second interval and without its thickness",
            remedy="add [second_interval], or thickness_mm and u_thickness_mm",
        )
    if known and how.second_interval is not None:
        raise fault("coating.thickness_mm", "is given beside a second interval, which finds it")
    if known and not mode.crosses_coating:
        raise fault(
            "coating.thickness_mm",
            f"is given but the interval is {mode.name}, which does not cross it",
            remedy="leave it out",
        )


def _check_second(how: Procedure) -> None:
    """Refuse a second interval that is none."""
    if how.second_interval is not None and how.second_interval.mode == how.interval.mode:
        raise fault(
            "second_interval.mode",
            f"is '{how.second_interval.mode}', like the interval's",
            allowed="another mode: the same one says nothing new",
        )


def check_recording(how: Procedure, recording: Recording) -> None:
    """Refuse a recording that the procedure's methods cannot work on.

    Raises
    ------
    AscanError
        A rectified record with a band-pass, with a half-cycle that counts, or with a method that
        needs the radio-frequency signal; a peak-held one with a method that times what holding
        moves.
    """
    if not recording.rectified:
        return
    for gate in how.gates:
        if gate.seeks_first_arrival:
            raise fault(
                f"gate '{gate.name}'",
                "seeks a first arrival but the record is rectified: which half-cycle opens an "
                "echo cannot "
                "be told",
                remedy="store the RF signal, or seek the first echo",
            )
    if how.filter.kind != "none":
        raise fault(
            "filter",
            "is a band-pass but the record is rectified",
            remedy="set filter.kind = 'none' or store the RF signal",
        )
    for gate in how.gates:
        _check_rectified(gate, recording)


def _check_rectified(gate: Gate, recording: Recording) -> None:
    """Refuse a gate that asks of a rectified record what it has not."""
    place = f"gate '{gate.name}'"
    if gate.half_cycles != "any":
        raise fault(
            place,
            f"counts {gate.half_cycles} half-cycles but the record is rectified",
            remedy="set half_cycles = 'any'",
        )
    if gate.timing.traits.needs_rf:
        raise fault(
            place,
            f"method {gate.timing.name} needs the RF signal but the record is rectified",
            remedy="use peak or first_crossing",
        )
    if recording.peak_held and not gate.timing.traits.works_on_held:
        raise fault(
            place,
            f"times by {_method_in_words(gate)} but the record is peak-held: where in the hold a "
            "peak lies, and of which half-cycle it is, cannot be seen",
            remedy="use first_crossing with a level, the one instant that holding keeps",
        )


def _method_in_words(gate: Gate) -> str:
    """Return a gate's timing method with the options that are given."""
    signature = gate.timing.signature()
    given = [key for key, value in signature.items() if key != "method" and value is not None]
    return " with ".join([gate.timing.name, *given])
