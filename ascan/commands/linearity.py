"""``ascan linearity``: a dated record of the instrument's own linearity, from its records."""

from __future__ import annotations

import argparse
import dataclasses
from datetime import UTC, datetime

import numpy as np

from ascan.commands.job_files import add_job_file
from ascan.commands.shared import add_json, add_quiet, add_steps, answer, known_of
from ascan.engine.measuring import time_echoes
from ascan.learning.calibrating import calibrate
from ascan.procedure.written import load_procedure
from ascan.report.cautions import CAUTION
from ascan.results.shown import length
from ascan.store.job import PROCEDURE
from ascan.store.scans import open_scan
from ascan.study.linearity import TimeBase, Vertical, time_base, vertical

EXAMPLE = (
    "ascan linearity block.h5 --procedure wall.toml --step 5=0-4 --step 10=5-9 --step 20=10-14"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("scan", help="waveforms of a step block; with gain_db, at several gains")
    add_job_file(parser, "--procedure", job=PROCEDURE, help="procedure (TOML) of single echoes")
    add_steps(parser)
    parser.add_argument("--block-u-mm", type=float, metavar="MM", help="as for ascan calibrate")
    parser.add_argument(
        "--time-limit-percent", type=float, help="most of the range that a step may be off"
    )
    parser.add_argument(
        "--vertical-limit-percent", type=float, help="most of full scale that heights may be off"
    )
    add_json(parser)
    add_quiet(parser)


def run(args: argparse.Namespace) -> None:
    """Time, fit, compare; limits are the user's."""
    scan, procedure = open_scan(args.scan), load_procedure(args.procedure)
    known = known_of(scan, args)
    fit = calibrate(scan, procedure.on_block, known, u_known_mm=args.block_u_mm)
    base = time_base(fit)
    lines = [_told_base(base), *_judged("time base", base.percent, args.time_limit_percent)]
    data: dict[str, object] = {"made": _today(), "time_base": dataclasses.asdict(base)}
    told = f"{_today()}: time base {base.percent:+.3f} % of {length(base.range_mm)}"
    if "gain_db" in scan.columns:
        rows = np.flatnonzero(~np.isnan(known))
        heights = time_echoes(scan.choose(rows.tolist()), procedure).picks(
            procedure.layout.back_wall
        )["amplitude"]
        gains = np.asarray(scan.columns["gain_db"], np.float64)[rows]
        found = vertical(heights, gains, known[rows])
        data["vertical"] = dataclasses.asdict(found)
        lines += [_told_heights(found)]
        lines += _judged("heights", found.percent_of_full_scale, args.vertical_limit_percent)
        told += f"; heights {found.percent_of_full_scale:+.2f} % of full scale"
    else:
        lines.append("the scan holds no gain_db: nothing is told of heights")
    lines += [
        "what the time base is off by is in the scatter of the steps, and so in every u",
        f'to keep it with a calibration, in its --conditions: linearity = "{told}"',
    ]
    answer(args, data, [*lines, CAUTION])


def _today() -> str:
    return datetime.now(UTC).date().isoformat()


def _told_base(base: TimeBase) -> str:
    return (
        f"time base: {length(base.at_mm)} is {length(base.off_mm, 4, sign=True)} off the line of "
        f"the steps, {base.percent:+.3f} % of {length(base.range_mm)} (u {base.u_percent:.3f} %)"
    )


def _told_heights(found: Vertical) -> str:
    return (
        f"heights: {found.percent_of_full_scale:+.2f} % of full scale off at {found.at_db:g} dB, "
        f"{found.decibel:+.2f} dB at most, of {found.readings} echoes of {found.walls} walls"
    )


def _judged(what: str, percent: float, limit: float | None) -> list[str]:
    if limit is None:
        return [f"  no limit is stated for the {what}"]
    word = "within" if abs(percent) <= limit else "BEYOND"
    return [f"  {word} the stated limit of {limit:g} %"]
