"""``ascan budget``: what the uncertainty of a reading is made of."""

from __future__ import annotations

import argparse

import numpy as np

from ascan.base.errors import fault
from ascan.commands.job_files import add_job_file
from ascan.commands.shared import add_json, add_quiet, answer, check_measured_with, rows_of
from ascan.engine.thickness_stage import ThicknessStage
from ascan.procedure.written import Procedure, load_procedure
from ascan.report.cautions import CAUTION
from ascan.store.calibrations import load_calibration
from ascan.store.job import CALIBRATION
from ascan.store.readings import load_readings
from ascan.study.budget import budget_of
from ascan.survey.places import gone_of

EXAMPLE = "ascan budget readings.h5 --calibration calibration.h5 --rows 0,17"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("readings", help="readings file")
    parser.add_argument(
        "--procedure", help="another procedure (TOML) than the one kept with the readings"
    )
    add_job_file(parser, "--calibration", job=CALIBRATION, help="calibration file")
    parser.add_argument("--rows", help="rows, such as 0,7-20; without it, the thinnest reading")
    add_json(parser)
    add_quiet(parser)


def run(args: argparse.Namespace) -> None:
    """Print a budget for each chosen reading."""
    readings, calibration = load_readings(args.readings), load_calibration(args.calibration)
    check_measured_with(readings, calibration, args.calibration)
    kept = readings.provenance.get("procedure", "")
    procedure = load_procedure(args.procedure) if args.procedure else Procedure.from_text(kept)
    lines, data = [], []
    if procedure.text != kept:
        lines.append(
            "not the procedure that the readings were measured with: u differs from theirs"
        )
    stage = ThicknessStage(procedure, calibration)
    names = readings.scan_rows.tolist()
    if args.rows:
        place = {name: row for row, name in enumerate(names)}
        rows = [_place_of(name, place) for name in rows_of(args.rows, max(names) + 1, "--rows")]
    elif np.isnan(readings.thickness_mm).all():
        raise fault(args.readings, "holds no reading with a thickness")
    else:
        rows = [int(np.nanargmin(readings.thickness_mm))]
    for row in rows:
        interval, u = (float(readings.columns[n][row]) for n in ("interval_us", "u_interval_us"))
        if np.isnan(interval):
            reasons = "; ".join(readings.reasons(row))
            lines.append(f"row {names[row]}: no thickness ({reasons})")
            data.append({"row": names[row], "budget": None, "reasons": readings.reasons(row)})
            continue
        void = " (VOID by a failed check)" if gone_of(readings)[row] else ""
        budget = budget_of(stage, interval, u)
        lines += [f"row {names[row]}: {readings[row]}{void}", *budget.lines()]
        data.append({"row": names[row], "budget": budget, "reasons": readings.reasons(row)})
    answer(args, data, [*lines, CAUTION])


def _place_of(name: int, place: dict[int, int]) -> int:
    """Return where a row of the scan stands among the readings."""
    if name not in place:
        raise fault("--rows", f"names row {name}, which was not measured")
    return place[name]
