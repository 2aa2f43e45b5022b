"""The one block loop: a scan through a pipeline, a block of rows at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

import numpy as np

from ascan.base.errors import fault
from ascan.base.flags import Flag
from ascan.checks.check import Stage
from ascan.checks.check_input import Along, CheckInput
from ascan.checks.table import columns as columns_of
from ascan.engine.pipeline import Pipeline
from ascan.kernels.arrays import AnyArray, Columns, FlagArray, IntArray
from ascan.results.readings import GATE_COLUMNS, RESULT_COLUMNS, Readings, gate_column
from ascan.results.sources import COLUMNS as SOURCE_COLUMNS
from ascan.waveform.scan import Progress, Scan

# Some hundred rows amortise the calls; more gained nothing (benches/speed.py).
BLOCK_BYTES = 2**21
# The median top of so many waveforms may be so many times the full scale, which may be nominal;
# codes taken for fractions are a hundred times it and more.
FIRST_ROWS, MOST_OVER = 64, 10.0
RunRows = Callable[[slice, AnyArray], Columns]


def walk(
    pipeline: Pipeline, scan: Scan, progress: Progress | None = None
) -> Iterator[tuple[slice, Columns]]:
    """Yield (rows, columns) for the scan's blocks in order; columns of the scan included."""
    return walk_by(
        pipeline, scan, lambda rows, block: run_rows(pipeline, scan, rows, block), progress
    )


def walk_by(
    pipeline: Pipeline, scan: Scan, run: RunRows, progress: Progress | None = None
) -> Iterator[tuple[slice, Columns]]:
    """Yield (rows, columns) of blocks that ``run`` measures, each judged beside the one before."""
    last: AnyArray | None = None
    for rows, block in blocks(pipeline, scan):
        found = run(rows, block)
        seen = CheckInput(
            about=pipeline.about,
            block=block,
            start_time_us=scan.start_time_us[rows],
            spiked=block,
            before=last,
        )
        pipeline.checks.run(Stage.SCAN, seen, found["flags"])
        pipeline.conclude(found)
        last = block[-1].copy()
        kept = {name: column[rows] for name, column in scan.columns.items()}
        yield rows, kept | found
        if progress is not None:
            progress(rows.stop, len(scan))


def run_rows(pipeline: Pipeline, scan: Scan, rows: slice | IntArray, block: AnyArray) -> Columns:
    """Return the columns of some rows of a scan, whose waveforms are ``block``."""
    named = (scan.columns.get(name) for name in ("temperature_c", "gain_db"))
    along = Along(*(None if each is None else np.asarray(each[rows], np.float64) for each in named))
    found = pipeline.run(block, scan.start_time_us[rows], along=along)
    found["flags"] |= _out_of_date(pipeline, scan, rows)
    return found


def readings_of(pipeline: Pipeline, scan: Scan, progress: Progress | None = None) -> Readings:
    """Return the readings of a scan in memory."""
    return Readings(joined(found for _, found in walk(pipeline, scan, progress)))


def joined(blocks: Iterable[Columns]) -> Columns:
    """Return the columns of successive blocks, one after another."""
    parts = list(blocks)
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def blocks(pipeline: Pipeline, scan: Scan) -> Iterator[tuple[slice, AnyArray]]:
    """Yield (rows, waveforms) in blocks of a good size, the scan's columns checked."""
    per_row = scan.shape[1] * scan.rows.dtype.itemsize
    _check_columns(pipeline, scan)
    for rows, block in scan.blocks(int(min(2048, max(64, BLOCK_BYTES // per_row)))):
        if rows.start == 0 and block.dtype.kind == "f":
            _check_scale(pipeline, block, scan.name)
        yield rows, block


def _out_of_date(pipeline: Pipeline, scan: Scan, rows: slice | IntArray) -> np.uint32 | FlagArray:
    """Return the flag of readings that the scan says were taken after the calibration's time.

    What the scan does not say is not told by today's date: a record that is read again years
    later gives the same answer.
    """
    ends = pipeline.calibration.valid_until if pipeline.calibration else None
    if ends is None or "time_s" not in scan.columns:
        return np.uint32(0)
    late = np.asarray(scan.columns["time_s"][rows], np.float64) > ends.timestamp()
    return np.where(late, np.uint32(Flag.CALIBRATION_IN_DOUBT), np.uint32(0))


def _check_scale(pipeline: Pipeline, block: AnyArray, name: str) -> None:
    """Refuse floating-point samples whose full scale was not stated, or stated wrongly."""
    full = pipeline.recording.full_scale
    tops = np.abs(block[:FIRST_ROWS] - pipeline.recording.zero_code).max(axis=1)
    tops = tops[np.isfinite(tops)]
    if tops.size and np.median(tops) > MOST_OVER * full:
        raise fault(
            f"{name}: full_scale",
            f"is {full:g}, waveforms reach {np.median(tops):g}",
            remedy="state the full scale that the samples have",
        )


def _check_columns(pipeline: Pipeline, scan: Scan) -> None:
    """Refuse a scan whose columns are called like those of the readings."""
    taken = set(RESULT_COLUMNS) | set(SOURCE_COLUMNS) | set(columns_of(of_gate=False))
    suffixes = [*GATE_COLUMNS, *columns_of(of_gate=True)]
    for gate in pipeline.procedure.gates:
        taken |= {gate_column(gate.name, suffix) for suffix in suffixes}
    rule, warm = pipeline.procedure.temperature, scan.columns.get("temperature_c")
    if rule is not None and warm is not None:
        rule.check_column(np.asarray(warm, np.float64), scan.name)
    gain_db = scan.columns.get("gain_db")
    if gain_db is not None and gain_db.dtype.kind not in "iuf":
        raise fault(
            f"{scan.name}: gain_db",
            "holds no numbers",
            allowed="dB; NaN where a gain is not known",
            remedy="give it in dB, or call the column otherwise",
        )
    for name in taken & set(scan.columns):
        raise fault(
            f"{scan.name}: column '{name}'",
            "is called like a column of the readings",
            remedy="rename it, or the gate",
        )
