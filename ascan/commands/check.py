"""``ascan check``: read a known step between readings, and keep the result."""

from __future__ import annotations

import argparse

from ascan.commands.job_files import add_job_file
from ascan.commands.shared import (
    add_json,
    add_quiet,
    add_steps,
    answer,
    known_of,
    out_of_date,
    seconds_of,
)
from ascan.procedure.written import load_procedure
from ascan.report.cautions import CAUTION
from ascan.store.calibrations import load_calibration
from ascan.store.job import CALIBRATION, PROCEDURE, SERIES
from ascan.store.scans import open_scan
from ascan.store.series import add_checks
from ascan.study.checking import check_steps

EXAMPLE = (
    "ascan check step.npz --procedure wall.toml --calibration calibration.h5 --step 10=0-2 "
    "--step-u-mm 0.01 --at 2026-05-04T08:00 --series day.json"
)
# Exit code: judged and kept, and not passed.
CHECK_FAILED = 3


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("scan", help="waveforms on the known step")
    add_job_file(parser, "--procedure", job=PROCEDURE, help="procedure (TOML)")
    add_job_file(parser, "--calibration", job=CALIBRATION, help="calibration file")
    add_steps(parser)
    parser.add_argument(
        "--step-u-mm", type=float, required=True, help="standard uncertainty of the step, mm"
    )
    parser.add_argument(
        "--tolerance-mm",
        type=float,
        help="the most it may be off; without it, both expanded uncertainties combined",
    )
    parser.add_argument(
        "--at",
        metavar="TIME",
        help="when it was taken (UTC), such as 2026-05-04T08:00; else the column time_s",
    )
    add_job_file(parser, "--series", job=SERIES, help="file of the series; it only grows")
    add_json(parser)
    add_quiet(parser)


def run(args: argparse.Namespace) -> int:
    """Judge, keep, and print; return the exit code."""
    scan, calibration = open_scan(args.scan), load_calibration(args.calibration)
    checks = check_steps(
        scan,
        load_procedure(args.procedure),
        calibration,
        known_of(scan, args),
        u_known_mm=args.step_u_mm,
        tolerance_mm=args.tolerance_mm,
        time_s=seconds_of(args.at, "--at") if args.at else None,
    )
    series = add_checks(args.series, checks)
    failed = sum(not check.passed for check in checks)
    lines = out_of_date(calibration) + [str(check) for check in checks]
    lines.append(f"series {args.series}: {len(series)} check readings")
    if failed:
        lines.append(
            f"{failed} failed: all that was read since the last good check is void until it "
            "has been read again (ascan apply-checks); find the cause first"
        )
    answer(args, {"failed": failed, "checks": checks}, [*lines, CAUTION])
    return CHECK_FAILED if failed else 0
