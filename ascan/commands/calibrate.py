"""``ascan calibrate``: from waveforms on known steps to a calibration file."""

from __future__ import annotations

import argparse

import numpy as np

from ascan.calibrating import calibrate
from ascan.commands.shared import add_common, check_outputs, known_of, say
from ascan.engine import measure
from ascan.procedure import load_procedure
from ascan.readings import Reading
from ascan.report.cautions import CAUTION
from ascan.store import schema
from ascan.store.calibrations import save_calibration
from ascan.store.scans import open_scan

EXAMPLE = (
    "ascan calibrate block.npz --procedure wall.toml --step 5=0-4 --step 10=5-9 -o calibration.h5"
)


FEW = 40


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("scan", help="waveforms of the step block")
    parser.add_argument("--procedure", required=True, help="procedure (TOML)")
    parser.add_argument(
        "--step",
        action="append",
        metavar="MM=ROWS",
        help="thickness and its rows, such as 10=0,7-20",
    )
    parser.add_argument("--known-column", metavar="NAME", help="column with the thickness in mm")
    parser.add_argument("--rows", help="with --known-column: only these rows, such as 0,7-20")
    parser.add_argument(
        "--block-u-mm",
        type=float,
        metavar="MM",
        help="standard uncertainty of the steps; without it, the tolerance of an ISO 16946 wedge",
    )
    parser.add_argument("-o", "--output", required=True, help="calibration file to write")
    add_common(parser)


def run(args: argparse.Namespace) -> None:
    """Fit, save, and print the calibration."""
    check_outputs(args, [args.scan, args.procedure], [(args.output, schema.CALIBRATION)])
    scan, procedure = open_scan(args.scan), load_procedure(args.procedure)
    known = known_of(scan, args)
    calibration = calibrate(scan, procedure, known, u_known_mm=args.block_u_mm)
    save_calibration(calibration, args.output, replace=args.replace)
    say(args, [f"calibration {args.output}", *calibration.lines()])
    used = np.flatnonzero(~np.isnan(known))
    if used.size <= FEW:
        readings = measure(scan.choose(used.tolist()), procedure, calibration)
        each = zip(used.tolist(), readings, strict=True)
        lines = [_off(row, reading, float(known[row])) for row, reading in each]
        say(args, ["each reading, and how far from its step:", *lines])
    say(args, [CAUTION])


def _off(row: int, reading: Reading, known_mm: float) -> str:
    miss = reading.thickness_mm - known_mm
    told = "not read" if np.isnan(miss) else f"{miss:+.3f} mm"
    return f"row {row:>4}  on {known_mm:g} mm  {told:<10}  {reading}"
