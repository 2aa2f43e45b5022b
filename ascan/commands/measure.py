"""``ascan measure``: every waveform of a scan to a thickness, its uncertainty and its flags."""

from __future__ import annotations

import argparse

import numpy as np

from ascan.base.errors import fault
from ascan.base.flags import names
from ascan.calibration.record import Calibration
from ascan.commands.job_files import add_job_file
from ascan.commands.shared import (
    add_common,
    add_json,
    answer,
    check_outputs,
    chosen,
    out_of_date,
    progress_bar,
    say,
    taken_lines,
)
from ascan.procedure.written import load_procedure
from ascan.report.cautions import CAUTION
from ascan.report.deciding import decision_lines
from ascan.results.readings import Readings, u_told
from ascan.results.shown import length
from ascan.store import schema
from ascan.store.calibrations import load_calibration
from ascan.store.job import CALIBRATION, PROCEDURE, READINGS
from ascan.store.readings import load_readings
from ascan.store.scans import open_scan
from ascan.store.stream import measure_to_file
from ascan.survey.neighbours import isolated_readings
from ascan.waveform.flat_tops import flat_tops

# From this probability of being wrong on, the other value is told with a reading.
TOLD = 0.1
EXAMPLE = (
    "ascan measure component.npz --procedure wall.toml --calibration calibration.h5 "
    "-o readings.h5 --csv readings.csv"
)
FEW = 40


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("scan", help="waveforms of the component")
    add_job_file(parser, "--procedure", job=PROCEDURE, help="procedure (TOML)")
    add_job_file(
        parser,
        "--calibration",
        dest="calibrations",
        job=CALIBRATION,
        action="append",
        metavar="FILE",
        help="calibration file; for several channels CHANNEL=FILE, once for each",
    )
    parser.add_argument("--rows", help="only these rows, such as 0,7-20")
    add_job_file(
        parser,
        "-o",
        "--output",
        job=f"{READINGS}/{{stem}}.h5",
        help="readings file (HDF5) to write",
    )
    parser.add_argument("--csv", help="write the readings as CSV, too")
    add_json(parser)
    add_common(parser)


def run(args: argparse.Namespace) -> None:
    """Measure to a file and print the summary; a few readings are printed one by one."""
    args.quiet |= args.json
    named = [_named(text) for text in args.calibrations]
    check_outputs(
        args,
        [args.scan, args.procedure, *(path for _, path in named)],
        [(args.output, schema.READINGS), (args.csv, "CSV")],
    )
    calibration = _calibrations(named)
    each = list(calibration.values()) if isinstance(calibration, dict) else [calibration]
    for one in each:
        say(args, [f"of the calibration, {line}" for line in one.remarks])
        say(args, out_of_date(one))
    scan, procedure = chosen(open_scan(args.scan), args.rows), load_procedure(args.procedure)
    say(args, [f"of the scan, {line}" for line in flat_tops(scan).lines()])
    summary = measure_to_file(
        scan,
        procedure,
        calibration,
        args.output,
        csv=args.csv,
        replace=args.replace,
        progress=progress_bar(args),
    )
    if len(scan) <= FEW:
        say(args, _one_by_one(load_readings(args.output)))
    say(args, [f"readings {args.output}", *summary.lines()])
    if procedure.decision is not None:
        say(
            args,
            decision_lines(load_readings(args.output), procedure.decision),
        )
    isolated: list[int] = []
    if {"x_mm", "y_mm"} <= set(scan.columns):
        isolated = lone_rows(load_readings(args.output))
        say(args, second_look(isolated))
    taken = taken_lines(procedure, matched=all(one.is_matched for one in each))
    say(args, taken)
    thickness_mm, u_mm, row, bits = summary.thinnest
    thinnest = {"thickness_mm": thickness_mm, "u_mm": u_mm, "row": row, "flags": names(bits)}
    data = {
        "readings": args.output,
        "rows": summary.rows,
        "usable": summary.rows - summary.refused - summary.with_care,
        "usable_with_care": summary.with_care,
        "not_usable": summary.refused,
        "thinnest": thinnest if row >= 0 else None,
        "flags": summary.flags,
        "second_look_rows": isolated,
        "taken": taken,
    }
    answer(args, data, [CAUTION])


def _named(text: str) -> tuple[int | None, str]:
    """Return channel and path of ``FILE`` or ``CHANNEL=FILE``."""
    number, equals, path = text.partition("=")
    return (int(number), path) if equals and number.isdecimal() else (None, text)


def _calibrations(named: list[tuple[int | None, str]]) -> Calibration | dict[int, Calibration]:
    channels = [channel for channel, _ in named]
    if channels == [None]:
        return load_calibration(named[0][1])
    if None in channels or len(set(channels)) < len(channels):
        raise fault(
            "--calibration",
            "is given several times",
            allowed="one FILE, or CHANNEL=FILE once for each channel",
        )
    return {channel: load_calibration(path) for channel, path in named if channel is not None}


def lone_rows(readings: Readings) -> list[int]:
    """Return the rows of readings with positions that no neighbour supports."""
    columns = readings.columns
    if not {"x_mm", "y_mm"} <= set(columns):
        return []
    x_mm, y_mm = (np.asarray(columns[name], np.float64) for name in ("x_mm", "y_mm"))
    isolated = np.flatnonzero(isolated_readings(x_mm, y_mm, readings.thickness_mm, readings.u_mm))
    return [int(row) for row in readings.scan_rows[isolated]]


def second_look(rows: list[int]) -> list[str]:
    """Return in words which readings to look at again, for want of a neighbour's support."""
    if not rows:
        return []
    first = ", ".join(str(row) for row in rows[:FEW])
    more = f" and {len(rows) - FEW} more" if len(rows) > FEW else ""
    return [f"no neighbour supports {len(rows)} readings, look at them again: row {first}{more}"]


def _one_by_one(readings: Readings) -> list[str]:
    """Return each reading in a line: value, marks by name, and what it may be instead."""
    columns, out = readings.columns, list[str]()
    for row, reading in zip(readings.scan_rows, readings, strict=True):
        value = "no thickness"
        if np.isfinite(reading.thickness_mm):
            value = f"{length(reading.thickness_mm)}, {u_told(reading.columns)}"
        told = names(int(reading.flags))
        other_mm = float(columns["alternative_mm"][len(out)])
        if float(columns["p_wrong"][len(out)]) > TOLD and np.isfinite(other_mm):
            told += f"; or {length(other_mm)}"
        out.append(f"row {row:>4}  {value}  {told}".rstrip())
    return out
