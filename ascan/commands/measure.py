"""``ascan measure``: every waveform of a scan to a thickness, its uncertainty and its flags."""

from __future__ import annotations

import argparse

from ascan.commands.shared import add_common, check_outputs, chosen, progress_bar, say
from ascan.procedure import load_procedure
from ascan.readings import Readings
from ascan.report.cautions import CAUTION
from ascan.store import schema
from ascan.store.calibrations import load_calibration
from ascan.store.readings import load_readings
from ascan.store.scans import open_scan
from ascan.stream import measure_to_file

EXAMPLE = (
    "ascan measure component.npz --procedure wall.toml --calibration calibration.h5 "
    "-o readings.h5 --csv readings.csv"
)
FEW = 40


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("scan", help="waveforms of the component")
    parser.add_argument("--procedure", required=True, help="procedure (TOML)")
    parser.add_argument("--calibration", required=True, help="calibration file")
    parser.add_argument("--rows", help="only these rows, such as 0,7-20")
    parser.add_argument("-o", "--output", required=True, help="readings file (HDF5) to write")
    parser.add_argument("--csv", help="write the readings as CSV, too")
    add_common(parser)


def run(args: argparse.Namespace) -> None:
    """Measure to a file and print the summary; a few readings are printed one by one."""
    check_outputs(
        args,
        [args.scan, args.procedure, args.calibration],
        [(args.output, schema.READINGS), (args.csv, "text")],
    )
    calibration = load_calibration(args.calibration)
    say(args, [f"the calibration is in doubt: {line}" for line in calibration.warnings])
    scan = chosen(open_scan(args.scan), args.rows)
    tally = measure_to_file(
        scan,
        load_procedure(args.procedure),
        calibration,
        args.output,
        csv=args.csv,
        replace=args.replace,
        progress=progress_bar(args),
    )
    if len(scan) <= FEW:
        say(args, _one_by_one(load_readings(args.output)))
    say(args, [f"readings {args.output}", *tally.lines(), CAUTION])


def _one_by_one(readings: Readings) -> list[str]:
    numbers = readings.columns.get("scan_row", range(len(readings)))
    return [f"row {row:>4}  {reading}" for row, reading in zip(numbers, readings, strict=True)]
