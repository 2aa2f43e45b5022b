"""``ascan calibration-report``: a calibration on one page to file."""

from __future__ import annotations

import argparse

from ascan.base.errors import fault
from ascan.commands.job_files import add_job_file
from ascan.commands.shared import add_common, check_outputs, say
from ascan.engine.thickness_stage import ThicknessStage
from ascan.procedure.written import load_procedure
from ascan.report.sheet import sheet_of
from ascan.store.calibrations import load_calibration
from ascan.store.job import CALIBRATION, PAGES, PROCEDURE
from ascan.store.replacing import whole_file
from ascan.study.budget import budget_of

EXAMPLE = "ascan calibration-report calibration.h5 --procedure wall.toml -o calibration.html"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("calibration", nargs="?", help="calibration file")
    add_job_file(
        parser,
        "--procedure",
        job=PROCEDURE,
        needed=False,
        help="procedure (TOML): adds a budget in mid-range",
    )
    add_job_file(
        parser, "-o", "--output", job=f"{PAGES}/calibration.html", help="page to write (.html)"
    )
    add_common(parser)


def run(args: argparse.Namespace) -> None:
    """Write the page."""
    if args.calibration is None:
        if args.in_job is None:
            raise fault("sheet", "needs a calibration", remedy="name its file")
        args.calibration = str(args.in_job.path(CALIBRATION))
    check_outputs(args, [args.calibration, args.procedure], [(args.output, "HTML")])
    calibration = load_calibration(args.calibration)
    lines: list[str] = []
    if args.procedure:
        middle = len(calibration.steps.interval_us) // 2
        interval = float(calibration.steps.interval_us[middle])
        u = float(calibration.steps.u_interval_us[middle])
        stage = ThicknessStage(load_procedure(args.procedure), calibration)
        lines = budget_of(stage, interval, max(u, 1e-6)).lines()
    page = sheet_of(calibration, f"Calibration {args.calibration}", lines)
    with whole_file(args.output, replace=args.replace) as part:
        part.write_text(page, encoding="utf-8")
    say(args, [f"page {args.output}"])
