"""What a reader makes of the echoes of a block, and what a reader is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

from ascan.base.flags import Flag
from ascan.checks.alternatives import Alternatives
from ascan.checks.check import Stage
from ascan.checks.check_input import CheckInput
from ascan.kernels.arrays import Columns, FlagArray, FloatArray

# Runs the checks of a stage: sets flags, returns what they measured, by column.
RunChecks = Callable[[Stage, CheckInput, FlagArray], Columns]


class Interval(NamedTuple):
    """An interval and its random standard uncertainty, shape (n,).

    ``u_growth`` is how many times as far as a bare wall's what was learned leads each astray.
    """

    us: FloatArray
    u_us: FloatArray
    u_growth: FloatArray | None = None


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Read:
    """What a reader made of a block of n rows.

    Attributes
    ----------
    main : Interval
        What a thickness is computed from.
    alternatives : Alternatives
        What each interval may be instead.
    others : dict of str to Interval
        Intervals that a check asks for, by name.
    columns : dict of ndarray
        What else stands in readings.
    """

    main: Interval
    alternatives: Alternatives
    others: dict[str, Interval] = field(default_factory=dict)
    columns: Columns = field(default_factory=dict)


class Reader(Protocol):
    """Turns the echoes of a block into intervals; one a `ascan.path.modes.Layout.reader`."""

    @property
    def inverted_hints(self) -> Flag:
        """Flags on a record that may be turned over."""

    def read(self, seen: CheckInput, run: RunChecks, flags: FlagArray) -> Read:
        """Return what it makes of a block; it runs the checks of INTERVAL and FIT itself."""

    def alternative_mm(self, read: Read, columns: Columns) -> FloatArray:
        """Return what each wall may be instead, its thickness being in ``columns``."""
