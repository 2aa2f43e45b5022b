"""``ascan plan``: what uncertainty to expect, and which steps to calibrate on."""

from __future__ import annotations

import argparse

from ascan.base.errors import fault
from ascan.commands.job_files import add_job_file
from ascan.commands.shared import add_json, add_quiet, answer
from ascan.procedure.written import load_procedure
from ascan.report.cautions import CAUTION
from ascan.store.job import PROCEDURE
from ascan.study.planning import Expected, plan_for

EXAMPLE = "ascan plan --procedure wall.toml --wall-mm 8 --steps-mm 3,5,10,15,20 --block-u-mm 0.01"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add_job_file(parser, "--procedure", job=PROCEDURE, help="procedure (TOML)")
    parser.add_argument("--wall-mm", type=float, required=True, help="expected wall")
    parser.add_argument("--steps-mm", required=True, help="steps at hand, such as 3,5,10")
    parser.add_argument("--block-u-mm", type=float, required=True, help="their standard u")
    parser.add_argument("--readings", type=int, default=3, help="on each step (3)")
    parser.add_argument("--snr-db", type=float, default=30.0, help="of the echo (30)")
    parser.add_argument(
        "--repeatability-us", type=float, default=0.002, help="what coupling adds (0.002 µs)"
    )
    parser.add_argument("--sample-rate-mhz", type=float, default=100.0, help="(100)")
    add_json(parser)
    add_quiet(parser)


def run(args: argparse.Namespace) -> None:
    """Print the plan."""
    try:
        steps = tuple(float(word) for word in args.steps_mm.split(","))
    except ValueError:
        raise fault("--steps-mm", f"is '{args.steps_mm}'", allowed="such as 3,5,10") from None
    for name in ("wall_mm", "block_u_mm", "sample_rate_mhz", "readings"):
        if not getattr(args, name) > 0:
            raise fault(f"--{name.replace('_', '-')}", "is not above 0")
    expected = Expected(
        wall_mm=args.wall_mm,
        steps_mm=steps,
        u_block_mm=args.block_u_mm,
        readings=args.readings,
        snr_db=args.snr_db,
        repeatability_us=args.repeatability_us,
        sample_rate_mhz=args.sample_rate_mhz,
    )
    plan = plan_for(load_procedure(args.procedure), expected)
    answer(args, plan, [*plan.lines(), CAUTION])
