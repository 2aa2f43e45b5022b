"""What the tables of a procedure settle together."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ascan.finding.echo import ECHO_PEAK_PERIODS
from ascan.path.modes import MODES, Begins, Layout, Mode

if TYPE_CHECKING:
    from ascan.procedure.written import Procedure


def layout_of(how: Procedure) -> Layout:
    """Return the layout of a procedure whose tables agree (`ascan.procedure.rules`)."""
    mode, gates = MODES[how.interval.mode], how.interval.gates
    first = how.gate(gates[0])
    coating, interface = _coating(how, mode), _interface(how, mode)
    reader = _reader(how, mode, coating)
    back_walls = tuple(name for name in gates if name != interface)
    return Layout(
        mode=mode,
        arrangement=how.probe.arrangement,
        echo=first.echo,
        coating=coating,
        reader=reader,
        gates=gates,
        interface=interface,
        back_wall=back_walls[0] if back_walls else gates[0],
        back_walls=back_walls,
        fit_judges_itself=reader in ("train", "layered", "coated"),
        period_us=1.0 / how.probe.frequency_mhz,
        reach_us=ECHO_PEAK_PERIODS / how.probe.frequency_mhz,
    )


def _reader(how: Procedure, mode: Mode, coating: str) -> str:
    """Return what turns this procedure's echoes into an interval."""
    first = how.gate(how.interval.gates[0])
    if first.seeks_train:
        return "train"
    if not mode.models_record:
        return "echoes"
    if first.seeks_first_arrival:
        return "dual"
    return "coated" if coating else "layered"


def _coating(how: Procedure, mode: Mode) -> str:
    """Return what becomes of a coating."""
    if how.coating is None:
        return ""
    if mode.models_record:
        return "fitted"
    return "found" if how.coating.thickness_mm is None else "known"


def _interface(how: Procedure, mode: Mode) -> str:
    """Return the gate that holds the interface echo, or "".

    Interface to echo, it is the first gate of the interval; else, with a delay line or in
    immersion, a gate that the first used one follows directly.
    """
    if not how.probe.hears_interface:
        return ""
    first = how.interval.gates[0]
    begins_with_it = mode.models_record or mode.begins is Begins.INTERFACE
    return first if begins_with_it else how.gate(first).follows
