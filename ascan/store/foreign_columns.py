"""Which columns of a text file are samples, which say something of each record, and the clock."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from ascan.base.errors import file_fault as fault
from ascan.base.units import MM_PER_INCH
from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.store.foreign_layout import SAMPLES_FIRST, ForeignLayout
from ascan.store.foreign_text import Grid, looks_a_number, number_in, numbers_of
from ascan.store.sidecar import columns_told

LENGTHS = {"mm": 1.0, "cm": 10.0, "m": 1e3, "in": MM_PER_INCH, "inch": MM_PER_INCH}
TIMES = {"us": 1.0, "µs": 1.0, "μs": 1.0, "ns": 1e-3, "ms": 1e3, "s": 1e6}
ANGLES = {"deg": 1.0, "°": 1.0}
DEGREES_C = {"c": 1.0, "°c": 1.0, "degc": 1.0}
DECIBELS = {"db": 1.0}
NO_UNIT: dict[str, float] = {"": 1.0}
# Words in a header, the column that each becomes, and the units that it may be given in.
KNOWN: dict[str, tuple[str, dict[str, float]]] = {
    "x": ("x_mm", LENGTHS),
    "y": ("y_mm", LENGTHS),
    "angle": ("angle_deg", ANGLES),
    "heading": ("heading_deg", ANGLES),
    "step": ("known_mm", LENGTHS),
    "known": ("known_mm", LENGTHS),
    "thickness": ("known_mm", LENGTHS),
    "gain": ("gain_db", DECIBELS),
    "temperature": ("temperature_c", DEGREES_C),
    "start": ("start_us", TIMES),
    "start_time": ("start_us", TIMES),
    "channel": ("channel", NO_UNIT),
    "averages": ("averages", NO_UNIT),
    "point": ("point", NO_UNIT),
}
TIME = "time"
# A unit in brackets, or behind the last underscore.
BRACKETED = re.compile(r"(.*?)[\s_]*[(\[]\s*([^)\]]+?)\s*[)\]]")
# What counts samples: a number, or a word and a number.
NUMBERED = re.compile(r"[^\W\d_]*[ _.]?[+-]?\d+([.,]\d+)?([eE][+-]?\d+)?")
# A digitiser takes a sample in less than this, in µs; times of records are further apart.
SLOWEST_US = 1.0
# Times are even within this share of a step, beside what their last digit leaves open.
UNEVEN = 0.02
# So many columns from each end that have no names are compared with their neighbours.
ENDS, FEWEST_LINES = 8, 5
# Lines shorter than this, and so many times as many, are samples of records in columns.
SHORT, TALL = 100, 10


class Clock(NamedTuple):
    """When samples were taken: the first one's time after the trigger (µs), and their rate."""

    start_us: float
    rate_mhz: float


class Table(NamedTuple):
    """What a text file holds: samples, shape (records, samples), columns of records, a clock."""

    samples: AnyArray
    columns: dict[str, AnyArray]
    clock: Clock | None


def table_of(grid: Grid, layout: ForeignLayout, path: Path) -> Table:
    """Return what a text file's columns hold.

    Raises
    ------
    AscanError
        A column that is neither known nor a sample, one that states no unit, an uneven time.
    """
    names = _names(grid, layout, path)
    clocks = [k for k, (word, _) in names.items() if word == TIME]
    if layout.order == SAMPLES_FIRST or (not layout.order and _counts_samples(grid, names, clocks)):
        return _records_in_columns(grid, layout, names, path)
    samples = [k for k in range(len(grid.cells[0])) if k not in names]
    if not samples:
        raise fault(str(path), "holds no samples beside its named columns")
    numbers = numbers_of(grid, samples, layout.dtype, path)
    if not layout.order and 1 < len(samples) < SHORT and len(grid.cells) > TALL * len(samples):
        raise fault(
            str(path),
            f"holds {len(grid.cells)} lines of {len(samples)} samples",
            allowed="records in lines, which are longer",
            remedy="if they stand in columns, say --order samples-first (order='samples_first')",
        )
    if not grid.names and not layout.columns and not layout.drop:
        _refuse_unlike(numbers, path)
    columns: dict[str, AnyArray] = {}
    for k, (word, unit) in names.items():
        if word:
            columns |= _column(grid, k, word, unit, path)
    return Table(numbers, columns, None)


def _names(grid: Grid, layout: ForeignLayout, path: Path) -> dict[int, tuple[str, str]]:
    """Return the columns that are no samples: the word and unit of each, or "" where it goes."""
    shown = grid.names or tuple(str(k + 1) for k in range(len(grid.cells[0])))
    for given in (*layout.columns, *layout.drop):
        if given not in shown:
            raise fault(
                str(path), f"has no column '{given}'", allowed=", ".join(shown[:12]) or "none"
            )
    found: dict[int, tuple[str, str]] = {}
    own = columns_told(grid.comments)
    for k, name in enumerate(shown):
        if name in layout.drop:
            found[k] = ("", "")
        elif name in layout.columns:
            found[k] = _word_and_unit(layout.columns[name])
        elif k < len(own) and name in own and _word_and_unit(name)[0] not in (*KNOWN, TIME):
            found[k] = (name, "")
        elif grid.names and name and not NUMBERED.fullmatch(name):
            found[k] = _word_and_unit(name)
            told = layout.order == SAMPLES_FIRST or found[k][0] in (*KNOWN, TIME)
            if not told and _records_named(grid, layout):
                del found[k]
            elif not told:
                raise fault(
                    f"{path}: column '{name}'",
                    "is neither known nor a sample",
                    allowed=", ".join((*KNOWN, TIME)) + ", with their units, such as x_mm",
                    remedy=f"say what it is (--column '{name}=time_us', or '{name}=x_mm', or "
                    f"another name), or --drop '{name}'",
                )
    if layout.order == SAMPLES_FIRST or _records_named(grid, layout):
        found = {k: each for k, each in found.items() if each[0] in ("", TIME)}
    return found


def _records_named(grid: Grid, layout: ForeignLayout) -> bool:
    """Tell whether columns are records: the first one is a time that counts samples."""
    first = _word_and_unit(layout.columns.get(grid.names[0], grid.names[0])) if grid.names else None
    return first is not None and first[0] == TIME and _counts_samples(grid, {0: first}, [0])


def _word_and_unit(name: str) -> tuple[str, str]:
    """Return a column's word and unit.

    Examples
    --------
    >>> _word_and_unit("Temperature [°C]"), _word_and_unit("x_mm"), _word_and_unit("point")
    (('temperature', '°c'), ('x', 'mm'), ('point', ''))
    """
    bracketed = BRACKETED.fullmatch(name.strip())
    if bracketed:
        return bracketed[1].strip().lower().replace(" ", "_"), bracketed[2].lower()
    word, _, unit = name.strip().lower().replace(" ", "_").rpartition("_")
    known = word in KNOWN or word == TIME
    units = (*LENGTHS, *TIMES, *ANGLES, *DEGREES_C, *DECIBELS)
    if known and unit in units:
        return word, unit
    return (f"{word}_{unit}" if word else unit), ""


def _counts_samples(grid: Grid, names: dict[int, tuple[str, str]], clocks: list[int]) -> bool:
    """Tell whether a time is that of samples: it rises by less than a microsecond, and soon."""
    if not clocks or len(grid.cells) < 2:
        return False
    k = clocks[0]
    factor = TIMES.get(names[k][1])
    if factor is None:
        return False
    try:
        first, last = (float(row[k].replace(",", ".")) for row in (grid.cells[0], grid.cells[-1]))
    except ValueError:
        return False
    step_us = (last - first) * factor / (len(grid.cells) - 1)
    return 0.0 < step_us < SLOWEST_US


def _records_in_columns(
    grid: Grid, layout: ForeignLayout, names: dict[int, tuple[str, str]], path: Path
) -> Table:
    """Return records that stand in columns, beside the time of their samples."""
    wide = len(grid.cells[0])
    clocks = [k for k, (word, _) in names.items() if word == TIME]
    records = [k for k in range(wide) if k not in names]
    if not records:
        raise fault(str(path), "holds no records beside its time")
    numbers = numbers_of(grid, records, layout.dtype, path)
    if not grid.names and not clocks and wide > 1 and _rises_evenly(numbers[:, 0]):
        raise fault(
            f"{path}: column 1",
            "rises evenly, as a time does",
            remedy="say --column 1=time_us (or time_s, time_ns), or --drop 1; if it is a record, "
            "give the file a header",
        )
    clock = _clock(grid, clocks[0], names[clocks[0]][1], path) if clocks else None
    columns: dict[str, AnyArray] = {}
    if grid.names:
        columns["record"] = np.array([grid.names[k] for k in records])
    return Table(np.ascontiguousarray(numbers.T), columns, clock)


def _clock(grid: Grid, k: int, unit: str, path: Path) -> Clock:
    """Return the clock of a column of times, which must be even."""
    place = f"{path}: column {k + 1}"
    if unit not in TIMES:
        raise _no_unit(place, "time", TIMES, _name_of(grid, k))
    factor = TIMES[unit]
    time_us = factor * numbers_of(grid, [k], "", path)[:, 0]
    step_us = float(time_us[-1] - time_us[0]) / max(time_us.size - 1, 1)
    if not (np.isfinite(time_us).all() and step_us > 0.0):
        raise fault(place, "is a time that does not rise", remedy="it is no clock of samples")
    off_us = np.abs(time_us - time_us[0] - step_us * np.arange(time_us.size))
    open_us = factor * _last_digits([row[k] for row in grid.cells])
    wrong = np.flatnonzero(off_us > UNEVEN * step_us + open_us)
    if wrong.size:
        row = int(wrong[off_us[wrong].argmax()])
        raise fault(
            f"{path}: line {grid.lines[row]}",
            f"is {off_us[row]:.4g} µs off an even time of {step_us:.6g} µs a sample",
            allowed="samples evenly apart",
            remedy="resample what was taken unevenly, or mend a line that is missing",
        )
    rate = 1.0 / step_us
    rounded = round(rate, 4)
    return Clock(float(time_us[0]), rounded if abs(rounded / rate - 1.0) < 1e-5 else rate)


def _last_digits(cells: list[str]) -> FloatArray:
    """Return what the last digit of each number leaves open: one unit of it."""
    exponents = []
    for cell in cells:
        try:
            exponents.append(float(Decimal(cell.strip().replace(",", ".")).as_tuple().exponent))
        except (InvalidOperation, ValueError):
            exponents.append(0.0)
    found = np.array(exponents)
    plain = np.array(["e" not in cell.lower() for cell in cells])
    # Plain numbers may have lost their last zeros.
    if plain.any():
        found[plain] = found[plain].min()
    return np.asarray(10.0**found)


def _column(grid: Grid, k: int, word: str, unit: str, path: Path) -> dict[str, AnyArray]:
    """Return a column of records under the name, and in the unit, that scans have."""
    place = f"{path}: column {k + 1} ({word})"
    cells = [row[k].strip() for row in grid.cells]
    if word == TIME:
        if not unit and _all_numbers(cells, grid):
            # It may count samples, or be when each record was taken.
            raise _no_unit(place, word, TIMES, _name_of(grid, k))
        return {"time_s": np.array([_seconds(cell, grid, place) for cell in cells])}
    name, units = KNOWN.get(word, (word, NO_UNIT))
    if name == "point" or (word not in KNOWN and not _all_numbers(cells, grid)):
        return {name: np.array(cells)}
    if units is not NO_UNIT and unit not in units:
        raise _no_unit(place, word, units, _name_of(grid, k))
    values = np.array([number_in(cell, grid, place) for cell in cells]) * units.get(unit, 1.0)
    return {name: values}


def _name_of(grid: Grid, k: int) -> str:
    """Return how a column is called on the command line."""
    return grid.names[k] if grid.names else str(k + 1)


def _no_unit(place: str, word: str, units: dict[str, float], name: str) -> Exception:
    return fault(
        place,
        "states no unit that is known",
        allowed=", ".join(units),
        remedy=f"name it {word}_{next(iter(units))}, or say --column '{name}={word}_"
        f"{next(iter(units))}'",
    )


def _all_numbers(cells: list[str], grid: Grid) -> bool:
    return all(looks_a_number(cell, comma=grid.decimal_comma) for cell in cells)


def _seconds(cell: str, grid: Grid, place: str) -> float:
    """Return seconds since 1970, of a number or a date."""
    try:
        moment = datetime.fromisoformat(cell)
    except ValueError:
        return number_in(cell, grid, place)
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def _rises_evenly(values: AnyArray) -> bool:
    steps = np.diff(np.asarray(values, np.float64))
    middle = float(np.median(steps)) if steps.size > FEWEST_LINES else 0.0
    return middle > 0.0 and bool((np.abs(steps - middle) < 0.5 * middle).all())


def _refuse_unlike(samples: AnyArray, path: Path) -> None:
    """Ask about columns without names that move from record to record as no sample does.

    A position, a step or a point's number takes few steps; noise takes many.
    """
    if samples.shape[0] < FEWEST_LINES or samples.shape[1] < 4 * ENDS:
        return
    kinds = np.array([np.unique(np.diff(column)).size for column in _ends(samples)])
    inner = float(np.median(kinds))
    for begin, way in ((0, 1), (kinds.size - 1, -1)):
        unlike: list[int] = []
        for k in range(ENDS):
            at = begin + way * k
            if 2 * kinds[at] >= inner or kinds[at] > 3:
                break
            unlike.append(at + 1 if way == 1 else samples.shape[1] - k)
        if unlike:
            named = ", ".join(str(number) for number in sorted(unlike))
            raise fault(
                f"{path}: column {named}",
                "is not like its neighbours, and has no name: is it a sample?",
                remedy=f"say what it is (--column {sorted(unlike)[0]}=x_mm), leave it out "
                f"(--drop {sorted(unlike)[0]}), or give the file a header",
            )


def _ends(samples: AnyArray) -> Any:
    """Return the first and the last columns, which may not be samples."""
    return np.concatenate([samples[:, : 2 * ENDS], samples[:, -2 * ENDS :]], axis=1).T
