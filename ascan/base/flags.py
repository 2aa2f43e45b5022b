"""What a waveform showed: the flag bits, their severities and their meanings."""

from __future__ import annotations

import enum
from typing import Any

import numpy as np
import numpy.typing as npt

from ascan.base.old_names import FLAGS, warned


class _Renamed(enum.EnumType):
    """Knows members by their old names, too, with a warning."""

    def __getattr__(cls, name: str) -> Any:
        new = FLAGS.get(name.lower())
        if new is None or not name.isupper():
            raise AttributeError(f"type object '{cls.__name__}' has no attribute '{name}'")
        return warned(name, new.upper(), lambda: cls[new.upper()])


class Flag(enum.IntFlag, metaclass=_Renamed):
    """Bits of a reading's ``flags`` column.

    A fatal flag means that no number can be trusted: thickness is NaN if and only if one stands.
    A care flag means that the number may be another, or that a thinner wall may lie under the beam.
    A note tells what was seen, mended or allowed for; it speaks against nothing.

    Examples
    --------
    >>> Flag.SATURATED in Flag(256 + 512)
    True
    >>> reasons(Flag.NO_ECHO | Flag.LOW_SNR)[0]
    'no echo: nothing in the gate reached its threshold or rose through its level'
    """

    NO_ECHO = 1 << 0
    NOT_FINITE = 1 << 1
    GATE_OUTSIDE_RECORD = 1 << 2
    NOT_POSITIVE = 1 << 3
    AMBIGUOUS = 1 << 4
    UNCOUPLED = 1 << 5
    OUTSIDE_GATE = 1 << 6

    SATURATED = 1 << 8
    LOW_SNR = 1 << 9
    AT_GATE_EDGE = 1 << 10
    GATE_CUT_SHORT = 1 << 11
    OUTSIDE_CALIBRATED_RANGE = 1 << 12
    OUTSIDE_MEASURING_RANGE = 1 << 13
    UNEVEN_SPACING = 1 << 14
    INTERFACE_MULTIPLE = 1 << 15
    MULTIPLE_SUSPECTED = 1 << 16
    CYCLE_UNCERTAIN = 1 << 17
    CALIBRATION_IN_DOUBT = 1 << 18
    UPPER_BOUND = 1 << 19
    SECOND_DISAGREES = 1 << 20
    SHAPE_MISMATCH = 1 << 21
    SPIKE_REPAIRED = 1 << 22
    RECORD_STUCK = 1 << 23
    RECORD_DUPLICATE = 1 << 24
    INTERFACE_SHIFTED = 1 << 25
    UNEXPECTED_ECHO = 1 << 26
    WEAK_ECHO = 1 << 27
    POLARITY_INVERTED = 1 << 28


FATAL = int(
    Flag.NO_ECHO
    | Flag.NOT_FINITE
    | Flag.GATE_OUTSIDE_RECORD
    | Flag.NOT_POSITIVE
    | Flag.AMBIGUOUS
    | Flag.UNCOUPLED
    | Flag.OUTSIDE_GATE
)

# What was seen and does not speak against the number: it is in the uncertainty, or undone.
NOTES = int(Flag.SATURATED | Flag.SPIKE_REPAIRED | Flag.POLARITY_INVERTED)

# Of care flags these say that something thinner may lie under the beam; the others, that the value
# itself may be another.
HIDING = int(Flag.WEAK_ECHO | Flag.SHAPE_MISMATCH | Flag.UNEXPECTED_ECHO)

# These say how thick a wall is, and nothing of how well it was read.
OF_RANGE = np.uint32(Flag.OUTSIDE_CALIBRATED_RANGE | Flag.OUTSIDE_MEASURING_RANGE)

MEANINGS: dict[Flag, str] = {
    Flag.NO_ECHO: "no echo: nothing in the gate reached its threshold or rose through its level",
    Flag.NOT_FINITE: "not finite: the waveform holds a NaN or an infinity",
    Flag.GATE_OUTSIDE_RECORD: "gate outside the record: the echo may have come before or after it",
    Flag.NOT_POSITIVE: "not positive: the echo came no later than the zero offset",
    Flag.AMBIGUOUS: "ambiguous: another thickness explains the record about as well",
    Flag.UNCOUPLED: "uncoupled: the interface echo is that of air, no sound enters the wall",
    Flag.OUTSIDE_GATE: "outside the gate: the record's own thickness lies where none was sought",
    Flag.SATURATED: "saturated: an echo that was timed touches the clipping level; where the "
    "steps' shape is known, what that may have moved the time by is in the uncertainty",
    Flag.LOW_SNR: "low signal-to-noise: an echo that was timed is too near the noise",
    Flag.AT_GATE_EDGE: "at the gate's edge: the echo begins before the gate or ends after it",
    Flag.GATE_CUT_SHORT: "gate cut short: it reaches past the record or into a blank, only the "
    "rest was searched",
    Flag.OUTSIDE_CALIBRATED_RANGE: "outside the calibrated range: no step vouches for this value",
    Flag.OUTSIDE_MEASURING_RANGE: "outside the procedure's measuring range",
    Flag.UNEVEN_SPACING: "uneven spacing: successive echoes are not equally spaced",
    Flag.INTERFACE_MULTIPLE: "interface multiple: a back-wall echo lies where the interface echo "
    "repeats",
    Flag.MULTIPLE_SUSPECTED: "multiple suspected: an echo about as large stands at a half or "
    "third of the interval",
    Flag.CYCLE_UNCERTAIN: "cycle uncertain: another half-cycle is about as likely as the timed one",
    Flag.UPPER_BOUND: "upper bound: thinner than the probe resolves; the value is an upper bound",
    Flag.SECOND_DISAGREES: "second interval disagrees: the procedure's second interval gives "
    "another "
    "thickness",
    Flag.SHAPE_MISMATCH: "shape mismatch: an echo, or what the fit leaves of the record, is not as "
    "on the steps",
    Flag.SPIKE_REPAIRED: "spike repaired: an echo that was timed rests on lone samples that were "
    "mended",
    Flag.RECORD_STUCK: "record stuck: what the reading rests on stands still where the rest of the "
    "record moves",
    Flag.RECORD_DUPLICATE: "record duplicate: the same as the one before, sample by sample",
    Flag.INTERFACE_SHIFTED: "interface shifted: its echo comes over a period off the "
    "calibration's: "
    "trigger, clock, delay line",
    Flag.UNEXPECTED_ECHO: "unexpected echo: one stands ahead of the timed one, or a larger one "
    "behind it",
    Flag.WEAK_ECHO: "weak echo: far lower than on the steps, and not by coupling alone: a pit's "
    "flank, roughness",
    Flag.POLARITY_INVERTED: "polarity inverted: the record has the opposite polarity of the "
    "calibration's, and "
    "was measured as its mirror image",
    Flag.CALIBRATION_IN_DOUBT: "calibration in doubt: its own health figures question it, or its "
    "validity had ended",
}


def severity(flag: Flag) -> str:
    """Return ``"fatal"``, ``"care"`` or ``"note"`` for one flag.

    Examples
    --------
    >>> severity(Flag.NO_ECHO), severity(Flag.LOW_SNR), severity(Flag.SATURATED)
    ('fatal', 'care', 'note')
    """
    if flag & FATAL:
        return "fatal"
    return "note" if flag & NOTES else "care"


def at_stake(flag: Flag) -> str:
    """Return what one flag puts at stake, in words; "" of a note.

    Examples
    --------
    >>> at_stake(Flag.LOW_SNR), at_stake(Flag.WEAK_ECHO), at_stake(Flag.NO_ECHO)
    ('another value', 'a thinner wall under the beam', 'no value')
    """
    if flag & FATAL:
        return "no value"
    if flag & NOTES:
        return ""
    return "a thinner wall under the beam" if flag & HIDING else "another value"


def usability(flags: int) -> str:
    """Return in words whether a reading with these flags can be used.

    Examples
    --------
    >>> usability(Flag.SATURATED), usability(Flag.LOW_SNR), usability(Flag.LOW_SNR | Flag.NO_ECHO)
    ('usable', 'usable with care', 'not usable')
    """
    if flags & FATAL:
        return "not usable"
    return "usable with care" if flags & ~NOTES else "usable"


def reasons(flags: int) -> list[str]:
    """Return the meaning of every bit that is set, fatal ones first."""
    return [meaning for flag, meaning in MEANINGS.items() if flags & flag]


def names(flags: int) -> str:
    """Return the names of the bits that are set, in lower case, joined by ``;``.

    Examples
    --------
    >>> names(Flag.SATURATED | Flag.LOW_SNR)
    'saturated;low_snr'
    """
    return ";".join(str(flag.name).lower() for flag in MEANINGS if flags & flag)


def with_care(flag_names: str) -> str:
    """Return what follows a reading that is stated on its own: the care it needs.

    Examples
    --------
    >>> with_care(names(Flag.SATURATED)), with_care(names(Flag.SATURATED | Flag.LOW_SNR))
    ('', '; WITH CARE: low_snr')
    """
    told = [name for name in flag_names.split(";") if name and not Flag[name.upper()] & NOTES]
    return f"; WITH CARE: {', '.join(told)}" if told else ""


def is_marked(flags: npt.NDArray[np.uint32]) -> npt.NDArray[np.bool_]:
    """Return which rows of a flags column hold more than notes."""
    return np.asarray((flags & ~np.uint32(NOTES)) != 0)


def is_fatal(flags: npt.NDArray[np.uint32]) -> npt.NDArray[np.bool_]:
    """Return which rows of a flags column hold a fatal flag."""
    return np.asarray((flags & np.uint32(FATAL)) != 0)
