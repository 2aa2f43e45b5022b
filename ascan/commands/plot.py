"""``ascan plot``: one waveform with its gates and picks, as a PNG picture."""

from __future__ import annotations

import argparse
import importlib.util

from ascan.commands.shared import add_common, check_outputs, say
from ascan.errors import fault
from ascan.pipeline import Pipeline
from ascan.procedure import load_procedure
from ascan.report.waveform import draw_waveform
from ascan.store.calibrations import load_calibration
from ascan.store.scans import open_scan

EXAMPLE = "ascan plot component.npz --procedure wall.toml --row 22 -o row22.png"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("scan", help="the waveforms")
    parser.add_argument("--procedure", required=True, help="procedure (TOML)")
    parser.add_argument("--calibration", help="calibration file; without it only times are given")
    parser.add_argument("--row", type=int, default=0, help="which waveform (default 0)")
    parser.add_argument("-o", "--output", required=True, help="picture (.png) to write")
    add_common(parser)


def run(args: argparse.Namespace) -> None:
    """Draw the waveform."""
    if importlib.util.find_spec("matplotlib") is None:
        raise fault("plot", "needs matplotlib", remedy="pip install 'ascan[cli]'")
    inputs = [args.scan, args.procedure, args.calibration]
    check_outputs(args, inputs, [(args.output, "PNG")])
    scan = open_scan(args.scan)
    if not 0 <= args.row < len(scan):
        raise fault("--row", f"is {args.row}", allowed=f"0 to {len(scan) - 1}")
    calibration = load_calibration(args.calibration) if args.calibration else None
    pipeline = Pipeline(load_procedure(args.procedure), scan.recording, calibration)
    waveform = scan.rows.read_block(args.row, args.row + 1)[0]
    start_time_us = float(scan.start_time_us[args.row])
    title = f"{scan.name}, row {args.row}"
    draw_waveform(pipeline, waveform, start_time_us, args.output, title=title, replace=args.replace)
    say(args, [f"picture {args.output}"])
