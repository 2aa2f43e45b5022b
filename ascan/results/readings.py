"""Readings: one row per waveform, as named columns, and what they add up to."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, overload

import numpy as np

from ascan.base import old_names
from ascan.base.above import from_above
from ascan.base.errors import fault
from ascan.base.flags import (
    Flag,
    is_fatal,
    reasons,
    usability,
)
from ascan.base.old_names import warned
from ascan.base.picklable import Picklable
from ascan.base.rows import one_row, row_numbers
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray, IntArray
from ascan.results.shown import length
from ascan.results.sources import Source, shared_of
from ascan.results.summary import Summary, usabilities

# Columns the engine writes, besides those of its checks (`ascan.checks.table`); those of each gate
# are named <gate>_<suffix>. name -> (unit, meaning)
RESULT_COLUMNS = {
    "thickness_mm": ("mm", "thickness; NaN if and only if a fatal flag stands"),
    "u_mm": ("mm", "combined standard uncertainty of the thickness"),
    "u_random_mm": ("mm", "part of u that differs from reading to reading"),
    "random_freedom": (
        "1",
        "degrees of freedom of u_random_mm, where the steps showed its repeatability; 0: it "
        "counts as exactly known",
    ),
    "u_common_mm": ("mm", "part of u that readings share (`from_…` columns)"),
    "expanded_mm": (
        "mm",
        "expanded uncertainty of this component, everything in it: half the 95 % interval, by "
        "Student's t",
    ),
    "u_on_block_mm": ("mm", "the part of u that a reading on the block has: signal, calibration"),
    "expanded_on_block_mm": ("mm", "expanded uncertainty of that part, against the block"),
    "conformance": ("1", "probability that the wall is at least the procedure's minimum"),
    "decision": (
        "1",
        "verdict against the minimum: 0 undecided, 1 accept, 2 conditional accept, "
        "3 conditional reject, 4 reject",
    ),
    "check_status": ("1", "by the checks of the series: 0 open, 1 confirmed, 2 void"),
    "interval_us": ("us", "interval the thickness was computed from"),
    "u_interval_us": ("us", "its standard uncertainty from noise and clutter"),
    "flags": ("1", "what the waveform showed"),
    "alternative_mm": ("mm", "what the wall would be if the likeliest other reading were right"),
    "alternative_odds": (
        "1",
        "twice the natural log of the odds of the thickness against its alternative",
    ),
    "alternative_cause": (
        "1",
        "what the alternative takes the echo for: 0 none, 1 the next half-cycle, 2 a later echo "
        "of the "
        "wall, 3 a repeat of the interface echo (leaves no wall), 4 another spacing of all echoes",
    ),
    "p_wrong": (
        "1",
        "probability that the value is wrong, by the marks that stand on it and its alternative",
    ),
    "residual_rms": ("1", "rms of what the whole-record fit leaves, fraction of full scale"),
}
GATE_COLUMNS = {
    "time_us": ("us", "time of the echo after the transmit pulse"),
    "u_time_us": ("us", "its standard uncertainty from noise and clutter"),
    "envelope_us": ("us", "time of the top of its envelope; NaN where none can be told"),
    "amplitude": ("1", "timed half-cycle's peak as a signed fraction of full scale"),
    "clutter": ("1", "rms of what lies beside the echo beyond noise, fraction of full scale"),
    "shape_residual": (
        "1",
        "what the steps' mean echo leaves of the echo, over its root mean square",
    ),
    "half_cycle": ("1", "half-cycles from the first that reached the threshold to the timed one"),
    "flags": ("1", "what this gate showed"),
}


def gate_column(gate: str, suffix: str) -> str:
    """Return the name of a gate's column.

    Examples
    --------
    >>> gate_column("wall", "time_us")
    'wall_time_us'
    """
    return f"{gate}_{suffix}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One reading; `thickness_mm` is NaN if and only if a fatal flag stands."""

    thickness_mm: float
    u_mm: float
    u_random_mm: float
    u_common_mm: float
    flags: Flag
    columns: Mapping[str, Any]

    @property
    def usability(self) -> str:
        """``usable``, ``usable with care`` or ``not usable``."""
        return usability(int(self.flags))

    @property
    def reasons(self) -> list[str]:
        """The meaning of every flag that is set, fatal ones first."""
        return reasons(int(self.flags))

    def __str__(self) -> str:
        doubts = f" [{'; '.join(self.reasons)}]" if self.flags else ""
        if "thickness_mm" not in self.columns:
            return f"interval {self.columns['interval_us']:.5f} µs" + doubts
        if np.isnan(self.thickness_mm):
            return "no thickness" + doubts
        return f"{length(self.thickness_mm)}, {u_told(self.columns)}{doubts}"


def u_told(values: Mapping[str, Any]) -> str:
    """Return the two standard uncertainties of a reading in words, side by side.

    Examples
    --------
    >>> u_told({"u_mm": 0.043, "u_on_block_mm": 0.0042})
    'u 0.004 mm on the block, 0.043 mm of this component'
    """
    if "u_on_block_mm" not in values:
        return f"u {length(float(values['u_mm']))}"
    block, whole = (length(float(values[name])) for name in ("u_on_block_mm", "u_mm"))
    return f"u {block} on the block, {whole} of this component"


class NamedColumns(dict[str, AnyArray]):
    """Columns by name; those of old names are found, too, with a warning."""

    def __missing__(self, name: str) -> AnyArray:
        new = next((each for each in old_names.columns_called(name) if each in self), None)
        if new is not None:
            found: AnyArray = old_names.warned(name, new, lambda: self[new])
            return found
        raise KeyError(name)


@dataclass(frozen=True, eq=False, slots=True)
class Readings(Picklable):
    """Columns of equal length, one value per waveform.

    Attributes
    ----------
    columns : mapping of str to ndarray, each of shape (rows,)
        By name; the guide lists them with unit and meaning (files). ``flags`` is always there.
    provenance : mapping
        How they came to be: versions, procedure, digests, what they share an error of.

    Examples
    --------
    >>> import numpy as np
    >>> nothing = Readings({"flags": np.array([1], np.uint32), "thickness_mm": np.array([np.nan])})
    >>> nothing.reasons(0)
    ['no echo: nothing in the gate reached its threshold or rose through its level']
    """

    columns: Mapping[str, AnyArray]
    provenance: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        given: Any = self.columns
        if not isinstance(given, Mapping) or "flags" not in given:
            found = "no 'flags'" if isinstance(given, Mapping) else type(given).__name__
            raise fault("readings", f"are given as {found}", allowed="columns by name, 'flags' too")
        lengths = {name: len(column) for name, column in self.columns.items()}
        if len(set(lengths.values())) > 1:
            raise fault("readings", f"columns differ in length: {lengths}", allowed="equal lengths")
        object.__setattr__(self, "columns", MappingProxyType(NamedColumns(self.columns)))

    def __len__(self) -> int:
        return len(self.columns["flags"])

    def __repr__(self) -> str:
        refused = int(is_fatal(self.flags).sum())
        return f"<Readings: {len(self)} waveforms, {refused} refused; {', '.join(self.columns)}>"

    @overload
    def __getitem__(self, row: int | np.integer[Any]) -> Reading: ...
    @overload
    def __getitem__(self, row: slice | AnyArray | Sequence[int]) -> Readings: ...
    def __getitem__(self, row: Any) -> Reading | Readings:
        """Return one reading by its number, or Readings: of a slice, a mask, or numbers of rows.

        Those keep, in ``scan_row``, which waveform of the scan each is of.

        Raises
        ------
        AscanError
            A name, a mask of another length, a row that does not exist.
        """
        number = one_row(row, len(self), "readings")
        if number is None:
            return self._chosen(row)
        values = {name: column[number] for name, column in self.columns.items()}
        wanted = ("thickness_mm", "u_mm", "u_random_mm", "u_common_mm")
        main = {name: float(values.get(name, np.nan)) for name in wanted}
        return Reading(flags=Flag(int(values["flags"])), columns=values, **main)

    def _chosen(self, rows: Any) -> Readings:
        """Return some readings; their provenance stays that of the whole."""
        index = row_numbers(rows, len(self), "readings")
        columns = {name: column[index] for name, column in self.columns.items()}
        return Readings(columns | {"scan_row": self.scan_rows[index]}, self.provenance)

    def __iter__(self) -> Iterator[Reading]:
        return (self[row] for row in range(len(self)))

    @property
    def thickness_mm(self) -> FloatArray:
        """Thickness, shape (rows,); NaN if and only if a fatal flag stands."""
        return self.columns["thickness_mm"]

    @property
    def u_mm(self) -> FloatArray:
        """Combined standard uncertainty, shape (rows,)."""
        return self.columns["u_mm"]

    @property
    def u_on_block_mm(self) -> FloatArray:
        """The part of u that a reading on the block has, shape (rows,).

        All of it in readings of versions before 2.1, which did not tell the two apart.
        """
        return self.columns.get("u_on_block_mm", self.columns["u_mm"])

    @property
    def shared(self) -> dict[Source, AnyArray]:
        """What readings share an error of (`ascan.results.sources`): by source, shape (rows,)."""
        return shared_of(self.columns, self.provenance)

    @property
    def flags(self) -> FlagArray:
        """Flag bits, shape (rows,), uint32."""
        return self.columns["flags"]

    @property
    def usability(self) -> AnyArray:
        """``usable``, ``usable with care`` or ``not usable``, shape (rows,).

        A reading that a failed check has voided is not usable.
        """
        return usabilities(self.columns)

    @property
    def scan_rows(self) -> IntArray:
        """Number of each reading's waveform in its scan, shape (rows,): where rows were chosen."""
        return np.asarray(self.columns.get("scan_row", np.arange(len(self))))

    @property
    def calibration_digest(self) -> str | None:
        """Digest of the one calibration they were measured with; None where it is not known."""
        digest = self.provenance.get("calibration", {}).get("digest")
        return None if digest is None else str(digest)

    def picks(self, gate: str) -> dict[str, AnyArray]:
        """Return the columns of one gate, by their suffix (``time_us``, ``amplitude`` ...).

        Raises
        ------
        AscanError
            No gate of that name was timed.
        """
        ending = "_time_us"
        gates = [
            name.removesuffix(ending)
            for name in self.columns
            if name.endswith(ending) and not name.endswith(f"_u{ending}")
        ]
        if gate not in gates:
            raise fault("readings", f"hold no gate '{gate}'", allowed=", ".join(gates))
        # Another gate's name may begin with this one's.
        others = tuple(gate_column(name, "") for name in gates if name.startswith(f"{gate}_"))
        own = gate_column(gate, "")
        return {
            name.removeprefix(own): column
            for name, column in self.columns.items()
            if name.startswith(own) and not name.startswith(others or "\0")
        }

    def reasons(self, row: int) -> list[str]:
        """Return why a reading was refused or needs care, fatal reasons first.

        Raises
        ------
        AscanError
            No such row.
        """
        if not 0 <= row < len(self):
            raise fault("readings", f"have no row {row}", allowed=f"0 to {len(self) - 1}")
        return reasons(int(self.flags[row]))

    @property
    def refused(self) -> AnyArray:
        """Numbers of the rows that have no thickness."""
        return np.flatnonzero(is_fatal(self.flags))

    def summary(self) -> Summary:
        """Return counts and extremes."""
        summary = Summary()
        summary.add(self.columns)
        return summary

    def to_dataframe(self) -> Any:
        """Return a `pandas.DataFrame`: a column for each, and ``usability`` in words.

        Its index is the number of each waveform in its scan; ``attrs`` hold units and long names.

        Raises
        ------
        AscanError
            pandas is not installed.
        """
        return from_above("dataframe_of")(self)

    def to_xarray(self) -> Any:
        """Return an `xarray.Dataset` with units, long names, and what each flag bit means.

        Where positions form a raster, one reading to each of its places, on (``y_mm``, ``x_mm``);
        else on ``row``.

        Raises
        ------
        AscanError
            xarray is not installed.
        """
        return from_above("dataset_of")(self)

    def plot(self) -> dict[str, Any]:
        """Return the matplotlib axes of a figure: thickness by row with its 95 % interval.

        ``rows``: usable readings, those with care, and places of those that have no thickness, told
        apart by their shapes.

        Raises
        ------
        AscanError
            matplotlib is not installed.
        """
        axes: dict[str, Any] = from_above("plot_readings")(self)
        return axes

    def _repr_html_(self) -> str:
        return str(from_above("page_of")(self))

    def tally(self) -> Summary:
        """Return `summary`, by the old name of it."""
        return warned("Readings.tally", "Readings.summary", self.summary)  # type: ignore[no-any-return]


def check_readings(readings: Any) -> None:
    """Refuse what are no `Readings`, such as a scan or the path of their file."""
    if not isinstance(readings, Readings):
        found = type(readings).__name__
        raise fault("readings", f"are of type {found}", remedy="load or measure them")
