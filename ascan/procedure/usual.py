"""What a procedure takes that it leaves out: filter and timing, by its mode and its probe.

Learned shapes are what `benches/drafting.py` finds best for single echoes, and they are their own
filter: in grain a band-pass before them leaves u 1.4 times too small. What is timed otherwise is
timed inside the probe's band. An unfiltered peak, which was taken before, is the worst: noise moves
it to another half-cycle. Whole records and trains are fitted as they are.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from ascan.base.errors import AscanError
from ascan.base.tables import from_table
from ascan.path.modes import MODES
from ascan.timing.gating import in_words_of_today
from ascan.timing.protocol import method_from_table
from ascan.waveform.conditioning import Filter
from ascan.waveform.recording import Recording

if TYPE_CHECKING:
    from ascan.procedure.written import Procedure

# The band that is kept, over the probe's frequency: of single echoes, and of first arrivals, whose
# rise holds more; no higher than this share of the sample rate.
BAND, ARRIVAL_BAND, MOST_OF_RATE = (0.4, 1.6), (0.3, 1.8), 0.45
SINGLE, PLAIN = "correlation", "peak"
FILTER = "filter"


def filled_in(table: Mapping[str, Any]) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Return a procedure's table with what it leaves out, and the names of that.

    ``filter``, and the name of each gate without a timing. A table that is not as it should be is
    left as it is: what reads it says what is wrong.
    """
    try:
        frequency = float(table["probe"]["frequency_mhz"])
        dual = table["probe"].get("arrangement") == "dual"
        mode = MODES[table["interval"]["mode"]]
        gates = [in_words_of_today(gate, "gate") for gate in table["gate"]]
        names = [str(gate["name"]) for gate in gates]
    except (KeyError, TypeError, ValueError, AttributeError, AscanError):
        return dict(table), ()
    out, left_out = dict(table), []
    whole = any(gate.get("echo") == "train" for gate in gates) or mode.models_record
    # Two echoes of an interval are timed alike, or differ by what their methods do.
    usual = PLAIN if any("timing" in gate for gate in gates) else SINGLE
    for gate, name in zip(gates, names, strict=True):
        if "timing" not in gate and not whole and gate.get("echo") != "first_arrival":
            gate["timing"] = usual
            left_out.append(name)
    out["gate"] = gates
    shaped = all(_takes_shape(gate) for gate in gates)
    if FILTER not in table and frequency > 0.0 and (dual or not (whole or shaped)):
        low, high = ARRIVAL_BAND if dual else BAND
        band = {"low_mhz": low * frequency, "high_mhz": high * frequency}
        out[FILTER] = {"kind": "band_pass"} | band
        left_out.append(FILTER)
    return out, tuple(left_out)


def _takes_shape(gate: Mapping[str, Any]) -> bool:
    """Tell whether a gate is timed by a shape that a calibration learns."""
    try:
        return method_from_table(gate.get("timing"), "timing").traits.takes_template
    except AscanError:
        return False


def as_meant(
    how: Procedure, recording: Recording, made_with: Mapping[str, Any] | None = None
) -> Procedure:
    """Return a procedure with what it leaves out as these records, and a calibration, have it.

    Parameters
    ----------
    how : Procedure
    recording : Recording
        Rectified ones have no band and no shape. The band ends below half of their rate.
    made_with : mapping, optional
        Signature of a calibration: one made when nothing stood for what was left out is measured
        with as it was made.
    """
    if not how.left_out:
        return how
    if recording.rectified:
        return _without(how)
    low, high = how.filter.low_mhz, how.filter.high_mhz
    top = MOST_OF_RATE * recording.sample_rate_mhz
    if FILTER in how.left_out and low is not None and high is not None and low < top < high:
        how = dataclasses.replace(how, filter=dataclasses.replace(how.filter, high_mhz=top))
    if made_with is not None and how.signature(recording) != made_with:
        before = _without(how)
        if before.signature(recording) == made_with:
            return before
    return how


def _without(how: Procedure) -> Procedure:
    """Return a procedure as it was meant when nothing stood for what was left out."""
    plain = method_from_table(PLAIN, "timing")
    gates = tuple(
        dataclasses.replace(gate, timing=plain) if gate.name in how.left_out else gate
        for gate in how.gates
    )
    kept = from_table(Filter, {}, FILTER) if FILTER in how.left_out else how.filter
    return dataclasses.replace(how, gates=gates, filter=kept, left_out=())
