"""``ascan apply-checks``: what the checks of a series make of its readings."""

from __future__ import annotations

import argparse

import numpy as np

from ascan.base.errors import fault
from ascan.base.flags import is_fatal
from ascan.commands.job_files import add_job_file
from ascan.commands.shared import add_common, check_outputs, say, seconds_of
from ascan.report.cautions import CAUTION
from ascan.results.readings import Readings
from ascan.results.series import CheckStatus, check_statuses
from ascan.store import schema
from ascan.store.job import READINGS, SERIES
from ascan.store.provenance import now
from ascan.store.readings import load_readings, readings_file
from ascan.store.series import chain_of, load_series, refuse_lost

EXAMPLE = "ascan apply-checks readings.h5 --series day.json -o settled.h5"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("readings", help="readings file, with a column time_s")
    add_job_file(parser, "--series", job=SERIES, help="file of checks (ascan check)")
    parser.add_argument(
        "--at", metavar="TIME", help="when all were taken (UTC), without a column time_s"
    )
    parser.add_argument(
        "--recheck-hours",
        type=float,
        help="checks further apart confirm nothing between them; without it, the calibration's "
        "recheck_hours, where it has them",
    )
    add_job_file(
        parser,
        "-o",
        "--output",
        job=f"{READINGS}/{{stem}}-settled.h5",
        help="readings file to write",
    )
    add_common(parser)


def run(args: argparse.Namespace) -> None:
    """Write the readings with their standing; every earlier standing stays in the provenance."""
    check_outputs(args, [args.readings, args.series], [(args.output, schema.READINGS)])
    readings, checks = load_readings(args.readings), load_series(args.series)
    used = readings.calibration_digest
    if checks and used is not None and checks[0].calibration != used:
        raise fault(
            args.series,
            "holds checks of another calibration than the readings'",
            remedy="name the series of this calibration",
        )
    refuse_lost(readings.provenance, checks, args.series)
    code = check_statuses(
        _times(readings, args), checks, recheck_hours=_recheck_hours(readings, args)
    )
    read = ~is_fatal(readings.flags)
    counts = {str(one.name).lower(): int((code[read] == one).sum()) for one in CheckStatus}
    history = [
        *readings.provenance.get("check_statuses", []),
        {
            "settled": now(),
            "checks": len(checks),
            "chain": chain_of(checks)[-1] if checks else "",
            "counts": counts,
        },
    ]
    with readings_file(args.output, replace=args.replace) as file:
        file.append(dict(readings.columns) | {"check_status": code})
        file.finish(dict(readings.provenance) | {"check_statuses": history})
    told = ", ".join(f"{count} {name}" for name, count in counts.items())
    refused = len(readings) - int(read.sum())
    told += f"; {refused} without a thickness" if refused else ""
    say(args, [f"{len(readings)} readings: {told}; written to {args.output}"])
    if counts["void"]:
        say(args, ["void readings stand as they were read, and count for nothing: read them again"])
    say(args, [CAUTION])


def _recheck_hours(readings: Readings, args: argparse.Namespace) -> float | None:
    """Return how far checks may lie apart: as asked for, or as the calibration says."""
    hours = args.recheck_hours
    if hours is None:
        conditions = readings.provenance.get("calibration", {}).get("conditions", {})
        return float(conditions["recheck_hours"]) if "recheck_hours" in conditions else None
    if not hours > 0.0:
        raise fault("--recheck-hours", f"is {hours:g}", allowed="above 0 h")
    return float(hours)


def _times(readings: Readings, args: argparse.Namespace) -> np.ndarray:
    if "time_s" in readings.columns:
        return np.asarray(readings.columns["time_s"], np.float64)
    if args.at is None:
        raise fault(args.readings, "has no column time_s", remedy="say when they were read: --at")
    return np.full(len(readings), seconds_of(args.at, "--at"))
