"""Waveforms with their time base, the meaning of their codes, and one column value per row."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any, Protocol, Self

import numpy as np
import numpy.typing as npt

from ascan.base.above import from_above
from ascan.base.errors import did_you_mean, fault
from ascan.base.given import array_given, real_numbers, refuse_masked
from ascan.base.picklable import Picklable
from ascan.base.rows import one_row, row_numbers
from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.waveform.recording import MEANING, Recording, check_meaning, recording_for

# Columns the engine knows by name, with what they mean. Any other name is carried along untouched.
KNOWN_COLUMNS = {
    "x_mm": "position along the scan",
    "y_mm": "position across the scan",
    "channel": "number of the probe channel",
    "gain_db": "receiver gain",
    "averages": "transmit pulses averaged into one waveform",
    "temperature_c": "temperature of the surface",
    "time_s": "seconds since 1970-01-01 UTC",
    "point": "name of the measuring point",
}


# Called with (rows done, rows in all) after each block.
Progress = Callable[[int, int], None]


class RowSource(Protocol):
    """Where waveforms come from: anything with rows that can be read a block at a time."""

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, samples."""

    @property
    def dtype(self) -> np.dtype[Any]:
        """Stored type of a sample."""

    def read_block(self, start: int, stop: int) -> AnyArray:
        """Return rows start..stop as a C-contiguous array in the stored type."""


@dataclass(frozen=True, slots=True)
class ArrayRows:
    """Rows of an array in memory; strided views are copied a block at a time."""

    array: AnyArray

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, samples."""
        return (int(self.array.shape[0]), int(self.array.shape[1]))

    @property
    def dtype(self) -> np.dtype[Any]:
        """Stored type of a sample, in the machine's byte order."""
        return self.array.dtype.newbyteorder("=")

    def read_block(self, start: int, stop: int) -> AnyArray:
        """Return rows start..stop as a C-contiguous array in the machine's byte order."""
        return np.ascontiguousarray(self.array[start:stop], dtype=self.dtype)


@dataclass(frozen=True, slots=True)
class ChosenRows:
    """Some rows of another source, in the order they were asked for."""

    source: RowSource
    rows: tuple[int, ...]

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, samples."""
        return (len(self.rows), self.source.shape[1])

    @property
    def dtype(self) -> np.dtype[Any]:
        """Stored type of a sample."""
        return self.source.dtype

    def read_block(self, start: int, stop: int) -> AnyArray:
        """Return the chosen rows start..stop as a C-contiguous array."""
        picked = [self.source.read_block(row, row + 1) for row in self.rows[start:stop]]
        return np.concatenate(picked)


@dataclass(frozen=True, eq=False, slots=True)
class Scan(Picklable):
    """Raw waveforms and all that is needed to read them.

    Build it with `Scan.from_array`, or open a file with `open_scan`.

    Attributes
    ----------
    rows : RowSource
        The waveforms in their stored type, shape (rows, samples).
    recording : Recording
        Sample rate and the meaning of the codes.
    start_time_us : ndarray, shape (rows,), float64
        Time of sample 0 after the transmit pulse.
    columns : mapping of str to ndarray, each of shape (rows,)
        Positions, channel, gain, names of points ... (`KNOWN_COLUMNS`, and any other).

    Examples
    --------
    >>> import numpy as np
    >>> scan = Scan.from_array(np.zeros((3, 500), np.int16), sample_rate_mhz=100.0, full_scale=512)
    >>> scan.shape, scan.recording.clip_high
    ((3, 500), 511.0)
    """

    rows: RowSource
    recording: Recording
    start_time_us: FloatArray
    columns: Mapping[str, AnyArray] = field(default_factory=dict)
    name: str = "array"

    def __post_init__(self) -> None:
        count, samples = self.rows.shape
        if count < 1 or samples < MIN_SAMPLES:
            raise fault(
                self.name,
                f"holds {count} waveforms of {samples} samples",
                allowed=f"at least 1 waveform of at least {MIN_SAMPLES} samples",
            )
        object.__setattr__(self, "start_time_us", _start_times(self.start_time_us, count))
        given: Any = self.columns
        if not isinstance(given, Mapping):
            found = type(given).__name__
            raise fault(self.name, f"columns are of type {found}", allowed="names and their values")
        columns = {key: _column(key, value, count, self.name) for key, value in given.items()}
        object.__setattr__(self, "columns", MappingProxyType(columns))

    @classmethod
    def from_array(
        cls,
        waveforms: AnyArray,
        *,
        sample_rate_mhz: float,
        start_time_us: float | Sequence[float] | FloatArray = 0.0,
        columns: Mapping[str, Any] | None = None,
        name: str = "array",
        **meaning: Any,
    ) -> Self:
        """Return a scan over an array.

        Parameters
        ----------
        waveforms : ndarray, shape (rows, samples) or (samples,)
            int8, uint8, int16, uint16, int32, float32 or float64; never scaled or copied whole.
        sample_rate_mhz : float
            Samples per µs.
        start_time_us : float or ndarray, shape (rows,)
            Time of sample 0 after the transmit pulse, in µs.
        columns : mapping, optional
            One value per waveform under each name.
        **meaning
            ``full_scale``, ``zero_code``, ``clip_low``, ``clip_high`` (codes), ``rectified``,
            ``peak_held``, ``gated_only``: see `recording_for`.

        Raises
        ------
        AscanError
            Wrong shape, type, length or value.
        """
        array = array_given(waveforms, name)
        if array.ndim == 1:
            array = array[np.newaxis]
        if array.ndim != 2:
            raise fault(name, f"waveforms have {array.ndim} axes", allowed="(rows, samples)")
        check_meaning(meaning, name)
        recording = recording_for(array.dtype, sample_rate_mhz=sample_rate_mhz, **meaning)
        times = _start_times(start_time_us, len(array))
        return cls(ArrayRows(array), recording, times, columns or {}, name)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, samples."""
        return self.rows.shape

    def __len__(self) -> int:
        return self.rows.shape[0]

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file behind the waveforms, where there is one."""
        close = getattr(self.rows, "close", None)
        if close is not None:
            close()

    def __repr__(self) -> str:
        rows, samples = self.shape
        kind = f"{self.recording.dtype}, {self.recording.sample_rate_mhz:g} MHz"
        return f"<Scan '{self.name}': {rows} waveforms of {samples} samples, {kind}>"

    def choose(self, rows: npt.ArrayLike) -> Scan:
        """Return a scan of some rows of this one; a column ``scan_row`` keeps their numbers.

        Parameters
        ----------
        rows : array_like or slice
            Numbers of rows from 0 on, or a mask of shape (rows,): True where a row is wanted.

        Raises
        ------
        AscanError
            A row that does not exist, a mask of another length, or what is neither.
        """
        index = row_numbers(rows, len(self), self.name)
        columns = {key: value[index] for key, value in self.columns.items()}
        columns.setdefault("scan_row", index)
        source = ChosenRows(self.rows, tuple(index.tolist()))
        return Scan(source, self.recording, self.start_time_us[index], columns, self.name)

    def __getitem__(self, rows: Any) -> Scan:
        """Return a scan of some rows, as `choose` does: a number, a slice, a mask, or numbers.

        One row is a scan of one waveform; its samples are ``scan.rows.read_block(row, row + 1)``.
        """
        number = one_row(rows, len(self), self.name)
        return self.choose(rows if number is None else [number])

    def __iter__(self) -> Iterator[Scan]:
        return (self.choose([row]) for row in range(len(self)))

    def plot(self, row: int = 0) -> dict[str, Any]:
        """Return the matplotlib axes of a figure that shows the scan.

        ``wave``: the waveform of ``row`` with its envelope; ``rows``: all rows side by side, time
        downward (a B-scan); ``band``: mean spectrum and noise floor; ``codes``: how often each
        amplitude occurs, beside the clip levels.

        Parameters
        ----------
        row : int

        Raises
        ------
        AscanError
            A row that does not exist; matplotlib is not installed.
        """
        (number,) = row_numbers([row], len(self), self.name).tolist()
        axes: dict[str, Any] = from_above("plot_scan")(self, number)
        return axes

    def blocks(self, size: int) -> Iterator[tuple[slice, AnyArray]]:
        """Yield (rows, waveforms) for successive blocks of at most ``size`` rows."""
        for start in range(0, len(self), size):
            stop = min(start + size, len(self))
            yield slice(start, stop), self.rows.read_block(start, stop)


def check_scan(scan: Any) -> None:
    """Refuse what is no `Scan`: an array, or the path of a file."""
    if not isinstance(scan, Scan):
        remedy = "open it: open_scan(path)" if isinstance(scan, str | Path) else ""
        raise fault(
            "scan",
            f"is of type {type(scan).__name__}",
            allowed="a Scan",
            remedy=remedy or "make one of an array: Scan.from_array(array, sample_rate_mhz=...)",
        )


# Four samples carry a cubic; fewer hold no echo that could be timed.
MIN_SAMPLES = 8


def _start_times(value: Any, count: int) -> FloatArray:
    times = real_numbers(value, "start_time_us", "µs")
    if times.ndim == 0:
        times = np.full(count, float(times))
    if times.shape != (count,):
        raise fault(
            "start_time_us",
            f"has shape {times.shape}",
            allowed=f"one value, or one for each of {count} waveforms",
            remedy="waveforms lie in rows: (waveforms, samples)",
        )
    if not np.isfinite(times).all():
        row = int(np.flatnonzero(~np.isfinite(times))[0])
        raise fault("start_time_us", f"is {times[row]} µs in row {row}", allowed="finite values")
    times = times.copy()
    times.flags.writeable = False
    return times


def _column(key: Any, value: Any, count: int, name: str) -> AnyArray:
    if not isinstance(key, str) or not key or "/" in key or key in (".", ".."):
        raise fault(
            f"{name}: column '{key}'", "has a name that no file can hold", remedy="rename it"
        )
    refuse_masked(value, f"{name}: column '{key}'")
    column = np.array(value)
    if column.dtype.kind == "S":
        column = np.char.decode(column, "utf-8", "replace")
    if column.shape != (count,):
        raise fault(
            f"{name}: column '{key}'",
            f"has shape {column.shape}",
            allowed=f"one value per waveform, ({count},)",
            remedy=did_you_mean(key, (*MEANING, "sample_rate_mhz", "start_time_us")),
        )
    if column.dtype.kind not in "biufUS":
        raise fault(
            f"{name}: column '{key}'",
            f"is of type {column.dtype}",
            allowed="numbers, truth values or texts",
        )
    column.flags.writeable = False
    return column
