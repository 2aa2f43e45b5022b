"""Gates: where in each record an echo may lie, fixed in time or following another gate's echo."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np

from ascan.base.errors import fault
from ascan.base.flags import Flag
from ascan.base.old_names import ECHOES, GATE_KEYS, TIMING_KEYS, renamed
from ascan.base.tables import from_table, number, text
from ascan.kernels.arrays import FlagArray, FloatArray, IntArray
from ascan.kernels.jit import compiled
from ascan.timing.protocol import TimingMethod, method_from_table

OUTSIDE = np.uint32(Flag.GATE_OUTSIDE_RECORD)
CUT_SHORT = np.uint32(Flag.GATE_CUT_SHORT)
# Times are equal that differ by less.
NO_TIME_US = 1e-6

# The crest of a first arrival is bent by what follows; half way up its first flank is not.
ARRIVAL_TIMING = {"method": "first_crossing", "peak_fraction": 0.5}
HALF_CYCLES = ("any", "positive", "negative", "same", "opposite")


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """One gate of the procedure.

    Attributes
    ----------
    name : str
        In lower case; names the columns.
    start_us, stop_us, start_mm, stop_mm : float
        The window, in µs or in mm of wall: after the transmit pulse, or after the echo of the gate
        that ``follows`` names.
    threshold : float
        What an echo must reach to be one, as a fraction of full scale. May be left out for first
        arrivals, which have to stand clear of the noise anyway.
    half_cycles : str
        Which half-cycles count: ``any``, ``positive``, ``negative``; for a following gate also
        ``same`` and ``opposite``, as seen from the polarity of the followed echo.
    echo : str
        ``first``: the first to reach the threshold, timed on its largest half-cycle (within one
        and a half periods, and on as long as one a period later is higher); ``largest``: the
        largest in the gate; ``first_arrival``: found by its train and its background,
        timed on the half-cycle that opens it (`ascan.finding.first_arrival`); ``train``: all echoes
        of a thin wall at once, as one fit that gives their spacing (`ascan.timing.train`).
    min_spacing_mm, max_spacing_mm : float
        Of a train: which walls it may be of.
    follows : str
        A gate above this one: the window then begins with its echo.
    timing : str or table
        Timing method (see `ascan.timing`). Left out by all gates: ``correlation`` with the shape
        that the calibration learns (``peak`` of rectified records); by some: ``peak``; of first
        arrivals half-way up their flank.
    """

    name: str = text()
    start_us: float | None = number(None)
    stop_us: float | None = number(None)
    start_mm: float | None = number(None)
    stop_mm: float | None = number(None)
    threshold: float | None = number(None, above=0.0, most=1.0)
    half_cycles: str = text("any", choices=HALF_CYCLES)
    echo: str = text("first", choices=("first", "largest", "first_arrival", "train"))
    min_spacing_mm: float = number(0.4, above=0.0)
    max_spacing_mm: float = number(6.0, above=0.0)
    follows: str = text("")
    timing: TimingMethod = field(metadata={"left_out": "correlation"})

    def __post_init__(self) -> None:
        place = f"gate '{self.name}'"
        if not re.fullmatch(r"[a-z][a-z0-9_]*", self.name):
            raise fault(
                "gate.name",
                f"is '{self.name}'",
                allowed="lower-case letters, digits and _, a letter first",
            )
        in_us = (self.start_us, self.stop_us)
        in_mm = (self.start_mm, self.stop_mm)
        if (in_us == (None, None)) == (in_mm == (None, None)):
            raise fault(
                place, "needs one window", allowed="start_us and stop_us, or start_mm and stop_mm"
            )
        start, stop = in_us if in_mm == (None, None) else in_mm
        if start is None or stop is None or start >= stop:
            unit = "µs" if in_mm == (None, None) else "mm"
            raise fault(
                place,
                f"runs from {start} to {stop} {unit}",
                allowed="both given, start before stop",
            )
        if self.threshold is None and not self.seeks_first_arrival:
            raise fault(
                place, "lacks the key 'threshold'", remedy="what an echo must reach, 0.2 say"
            )
        if self.min_spacing_mm >= self.max_spacing_mm:
            raise fault(
                place,
                f"seeks spacings from {self.min_spacing_mm:g} to {self.max_spacing_mm:g} mm",
                allowed="min_spacing_mm below max_spacing_mm",
            )
        if self.half_cycles in ("same", "opposite") and not self.follows:
            raise fault(
                place,
                f"half_cycles is '{self.half_cycles}' but it follows no gate",
                remedy="name the gate it follows, or say any, positive or negative",
            )

    @property
    def seeks_first_arrival(self) -> bool:
        """Whether it seeks the half-cycle that opens a dual probe's echo."""
        return self.echo == "first_arrival"

    @property
    def seeks_first(self) -> bool:
        """Whether what comes after the echo that it finds is no matter."""
        return self.echo in ("first", "first_arrival")

    @property
    def seeks_train(self) -> bool:
        """Whether it seeks a whole train of echoes."""
        return self.echo == "train"

    @property
    def seeks_one_echo(self) -> bool:
        """Whether one echo is timed, on one of its own half-cycles."""
        return not (self.seeks_first_arrival or self.seeks_train)

    def window_us(self, zero_us: float, velocity_mm_per_us: float) -> tuple[float, float]:
        """Return start and stop in µs after the transmit pulse or after the followed echo."""
        if self.start_us is not None and self.stop_us is not None:
            return self.start_us, self.stop_us
        assert self.start_mm is not None
        assert self.stop_mm is not None
        base = 0.0 if self.follows else zero_us
        slowness = 2.0 / velocity_mm_per_us
        return base + slowness * self.start_mm, base + slowness * self.stop_mm

    def signature(self) -> dict[str, Any]:
        """Return what makes a time of this gate what it is; windows and thresholds do not."""
        return {
            "half_cycles": self.half_cycles,
            "echo": self.echo,
            "timing": self.timing.signature(),
        }


def gate_from_table(table: Mapping[str, Any], place: str) -> Gate:
    """Return a gate from its table, the timing method resolved."""
    if not isinstance(table, Mapping):
        raise fault(place, f"is {table!r}", allowed="a table", remedy="write it as [[gate]]")
    values = in_words_of_today(table, place)
    usual = ARRIVAL_TIMING if values.get("echo") == "first_arrival" else "peak"
    values["timing"] = method_from_table(values.get("timing", usual), f"{place}.timing")
    return from_table(Gate, values, place)


def in_words_of_today(table: Mapping[str, Any], place: str) -> dict[str, Any]:
    """Return a gate's table, old keys and words by their names of today."""
    values = renamed(table, GATE_KEYS, place)
    if isinstance(values.get("echo"), str):
        values["echo"] = ECHOES.get(values["echo"], values["echo"])
    if isinstance(values.get("timing"), Mapping):
        values["timing"] = renamed(values["timing"], TIMING_KEYS, f"{place}.timing")
    return values


def window_samples(window_us: tuple[float, float], sample_rate_mhz: float) -> int:
    """Return the most samples that a window can hold at any phase of the samples."""
    return math.ceil((window_us[1] - window_us[0]) * sample_rate_mhz) + 1


class Window(NamedTuple):
    """A gate's window.

    Attributes
    ----------
    start_us, stop_us : float
        After the transmit pulse or after the followed echo.
    sample_rate_mhz : float
    samples : int
        Of each record.
    """

    start_us: float
    stop_us: float
    sample_rate_mhz: float
    samples: int


@compiled
def forgive_late_cuts(peak: IntArray, recorded_us: FloatArray, flags: FlagArray) -> None:
    """Clear ``GATE_CUT_SHORT`` of rows whose first echo was found: what comes after is no matter.

    Not where the record begins within the gate, ``recorded_us`` below 0: an earlier one may be
    missing. ``peak`` is the place of the echo, negative where there is none.
    """
    for row in range(peak.size):
        if peak[row] >= 0 and recorded_us[row] > -NO_TIME_US:
            flags[row] &= ~CUT_SHORT


@compiled
def place_windows(
    origin_us: FloatArray,
    start_time_us: FloatArray,
    window: Window,
    first: IntArray,
    last: IntArray,
    flags: FlagArray,
) -> None:
    """Write the first sample of each row's gate and the one after its last, inside the record.

    Parameters
    ----------
    origin_us : ndarray, shape (n,)
        0, or the time of the followed echo (NaN: none, the window is empty and no flag is set).
    start_time_us : ndarray, shape (n,)
        Time of sample 0.

    Notes
    -----
    Flags: ``GATE_OUTSIDE_RECORD`` where it has no sample of the record, ``GATE_CUT_SHORT`` where
    the record begins after it (an earlier echo may be missing) or ends before it.
    """
    for row in range(first.size):
        first[row] = 0
        last[row] = 0
        origin = origin_us[row] - start_time_us[row]
        if not np.isfinite(origin):
            continue
        begin = np.ceil((origin + window.start_us) * window.sample_rate_mhz - 1e-6)
        end = np.floor((origin + window.stop_us) * window.sample_rate_mhz + 1e-6) + 1.0
        if end < 1.0 or begin + 1.0 > window.samples:
            flags[row] |= OUTSIDE
            continue
        if begin < 0.0 or end > window.samples:
            flags[row] |= CUT_SHORT
        first[row] = np.int64(max(begin, 0.0))
        last[row] = np.int64(min(end, np.float64(window.samples)))
