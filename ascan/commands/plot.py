"""``ascan plot``: a first look at a scan; with a procedure, waveforms with gates and picks."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

import numpy as np

from ascan.base.errors import fault
from ascan.base.flags import Flag
from ascan.calibration.record import Calibration
from ascan.commands.job_files import add_job_file
from ascan.commands.shared import add_common, check_outputs, need_library, rows_of, say
from ascan.engine.binding import bind
from ascan.engine.blocks import walk
from ascan.engine.pipeline import Pipeline
from ascan.kernels.arrays import FloatArray
from ascan.procedure.written import load_procedure
from ascan.report.cautions import CAUTION
from ascan.report.look import look_figure
from ascan.report.picture import save_picture
from ascan.report.values import figure_of
from ascan.report.waveform import draw_waveform
from ascan.results.readings import Readings
from ascan.results.shown import length, length_of, size_of
from ascan.store.calibrations import load_calibration
from ascan.store.job import CALIBRATION, PAGES, PROCEDURE
from ascan.store.readings import load_readings
from ascan.store.scans import open_scan
from ascan.store.schema import CALIBRATION as CALIBRATION_KIND
from ascan.store.schema import READINGS, kind_of
from ascan.survey.spots import point_names
from ascan.waveform.scan import Scan

EXAMPLE = "ascan plot component.npz --procedure wall.toml --row 22 -o row22.png"
MOST = 6
# Files that plot themselves.
VALUES: dict[str, Callable[[str], Readings | Calibration]] = {
    READINGS: load_readings,
    CALIBRATION_KIND: load_calibration,
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("scan", help="the waveforms; readings and calibrations are drawn, too")
    add_job_file(
        parser,
        "--procedure",
        job=PROCEDURE,
        needed=False,
        help="procedure (TOML): draw its gates and picks; without it, the scan as it is",
    )
    add_job_file(
        parser,
        "--calibration",
        job=CALIBRATION,
        needed=False,
        help="calibration file; without it only times are given",
    )
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--row", help="which waveforms, such as 22 or 0,7-9 (default 0)")
    which.add_argument(
        "--at",
        metavar="X,Y",
        help="the waveform taken nearest to this position; where the scan holds angle_deg, X,DEG",
    )
    parser.add_argument(
        "--diameter", metavar="LENGTH", help="outside diameter of a pipe, for --at with an angle"
    )
    which.add_argument("--point", help="the waveforms of a named point")
    which.add_argument("--flag", help=f"the first {MOST} waveforms with a flag, such as low_snr")
    add_job_file(
        parser,
        "-o",
        "--output",
        job=f"{PAGES}/{{stem}}.png",
        help="picture (.png, .svg, .pdf) to write; of several waveforms the row joins its name",
    )
    add_common(parser)


def run(args: argparse.Namespace) -> None:
    """Draw the waveforms."""
    need_library("matplotlib", "cli", "plot")
    if Path(args.scan).is_file() and kind_of(args.scan) in VALUES:
        draw_values(args)
        return
    scan = open_scan(args.scan)
    if args.procedure is None:
        look(args, scan)
        return
    inputs = [args.scan, args.procedure, args.calibration]
    calibration = load_calibration(args.calibration) if args.calibration else None
    pipeline = bind(load_procedure(args.procedure), scan.recording, calibration)
    rows = _rows(args, scan, pipeline)
    if len(rows) > MOST:
        some = ",".join(str(row) for row in rows[:MOST])
        raise fault(
            "plot",
            f"would draw {len(rows)} pictures",
            allowed=f"{MOST} at once",
            remedy=f"choose among the rows, such as --row {some}",
        )
    target = Path(args.output)
    paths = (
        [target]
        if len(rows) == 1 and "output" not in args.filled_in
        else [target.with_name(f"{target.stem}-row{row}{target.suffix}") for row in rows]
    )
    check_outputs(args, inputs, [(str(path), "picture") for path in paths])
    for row, path in zip(rows, paths, strict=True):
        waveform = scan.rows.read_block(row, row + 1)[0]
        title = f"{scan.name}, row {row}"
        start_us = float(scan.start_time_us[row])
        draw_waveform(pipeline, waveform, start_us, path, title=title, replace=args.replace)
    say(args, [f"picture {path}" for path in paths])


def draw_values(args: argparse.Namespace) -> None:
    """Draw what a file of readings, or a calibration, plots of itself."""
    if args.row or args.at or args.flag or args.point is not None:
        raise fault("plot", "draws all of such a file", remedy="name the scan to draw waveforms")
    check_outputs(args, [args.scan], [(args.output, "picture")])
    value = VALUES[kind_of(args.scan)](args.scan)
    save_picture(figure_of(value), args.output, dpi=110, replace=args.replace)
    say(args, [f"picture {args.output}", CAUTION])


def look(args: argparse.Namespace, scan: Scan) -> None:
    """Draw a scan as it is, and the first of the chosen rows alone."""
    if args.flag:
        raise fault("--flag", "needs a reading", remedy="give --procedure")
    check_outputs(args, [args.scan], [(args.output, "picture")])
    figure = look_figure(scan, _rows(args, scan, None)[0])
    save_picture(figure, args.output, dpi=110, replace=args.replace)
    say(args, [f"picture {args.output}"])


def _rows(args: argparse.Namespace, scan: Scan, pipeline: Pipeline | None) -> list[int]:
    """Return the rows that the options choose."""
    if args.at:
        row, away_mm = _nearest(args.at, scan, args)
        say(args, [f"row {row} was taken {length(away_mm, 1)} from {args.at}"])
        return [row]
    if args.point is not None:
        if "point" not in scan.columns:
            raise fault("--point", "cannot be found: the scan has no column point")
        names = point_names(scan.columns["point"])
        rows = [row for row, name in enumerate(names) if name == args.point]
        if not rows:
            allowed = ", ".join(dict.fromkeys(names))
            raise fault("--point", f"'{args.point}' is not in the scan", allowed=allowed)
        return rows
    if args.flag and pipeline is not None:
        known = [str(flag.name).lower() for flag in Flag]
        if args.flag not in known:
            raise fault("--flag", f"is '{args.flag}'", allowed=", ".join(known))
        rows = []
        for block, columns in walk(pipeline, scan):
            found = np.flatnonzero(columns["flags"] & np.uint32(Flag[args.flag.upper()]))
            rows += (found + block.start).tolist()
            if len(rows) >= MOST:
                break
        if not rows:
            raise fault("--flag", f"'{args.flag}' is set on no waveform")
        return rows[:MOST]
    return rows_of(args.row or "0", len(scan), "--row")


def _nearest(text: str, scan: Scan, args: argparse.Namespace) -> tuple[int, float]:
    """Return the row taken nearest to a position, and how far from it."""
    words = text.split(",")
    if len(words) != 2:
        raise fault("--at", f"is '{text}'", allowed="X,Y, or X,DEG on a pipe")
    columns = scan.columns
    if "x_mm" not in columns or not {"y_mm", "angle_deg"} & set(columns):
        raise fault("--at", "cannot be found: the scan has no columns x_mm and y_mm or angle_deg")
    along_mm = np.asarray(columns["x_mm"], np.float64) - length_of(words[0], "--at")
    if "y_mm" in columns:
        across_mm = np.asarray(columns["y_mm"], np.float64) - length_of(words[1], "--at")
    else:
        across_mm = _round_pipe(np.asarray(columns["angle_deg"], np.float64), words[1], args)
    away_mm = np.hypot(along_mm, across_mm)
    if np.isnan(away_mm).all():
        raise fault("--at", "cannot be found: no waveform has a position")
    row = int(np.nanargmin(away_mm))
    return row, float(away_mm[row])


def _round_pipe(angle_deg: FloatArray, text: str, args: argparse.Namespace) -> FloatArray:
    """Return how far round the pipe waveforms were taken from an angle, in mm."""
    survey = args.in_job.survey if args.in_job else None
    diameter_mm = survey.outside_diameter_mm if survey else None
    if args.diameter:
        diameter_mm = size_of(args.diameter, "--diameter")
    if diameter_mm is None:
        raise fault("--at", "needs the pipe's outside diameter", remedy="give --diameter")
    try:
        turn_deg = (angle_deg - float(text) + 180.0) % 360.0 - 180.0
    except ValueError:
        raise fault("--at", f"turns by '{text}'", allowed="degrees from the top") from None
    return np.asarray(turn_deg * np.pi * diameter_mm / 360.0)
