"""What decides what a time means: a calibration is bound to it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ascan.timing.gating import Gate
from ascan.waveform.recording import Recording

if TYPE_CHECKING:
    from ascan.procedure.written import Procedure


def signature_of(how: Procedure, recording: Recording) -> dict[str, Any]:
    """Return all that decides what a time means; a calibration is bound to it.

    The newer forms of a record are named only where they hold: a calibration that was made before
    they had a name stays good for the records it was made for.
    """
    newer = {"peak_held": recording.peak_held, "gated_only": recording.gated_only}
    shaped = any(gate.timing.traits.takes_template for gate in how.gates)
    shaped |= how.layout.of_whole_record
    spread = how.interval.diffraction != "none"
    band: dict[str, Any] = {}
    if shaped or spread:
        band["bandwidth_percent"] = how.probe.bandwidth_percent
    if spread:
        band["freed_of_diffraction_mm"] = how.probe.element_diameter_mm
    return {
        "mode": how.layout.mode.name,
        "echoes": {
            f"echo_{k + 1}": _gate_signature(how, how.gate(name))
            for k, name in enumerate(how.interval.gates)
        },
        "filter": how.filter.signature(),
        "probe": {
            "name": how.probe.name,
            "arrangement": how.probe.arrangement,
            "frequency_mhz": how.probe.frequency_mhz,
        }
        | band,
        "sample_rate_mhz": recording.sample_rate_mhz,
        "rectified": recording.rectified,
    } | {key: True for key, holds in newer.items() if holds}


def _gate_signature(how: Procedure, gate: Gate) -> dict[str, Any]:
    """Return a gate's signature; where polarity is relative, with that of the followed gate."""
    signature = gate.signature()
    if gate.half_cycles in ("same", "opposite"):
        signature["against"] = _gate_signature(how, how.gate(gate.follows))
    return signature
