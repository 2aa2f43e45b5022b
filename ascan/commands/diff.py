"""``ascan diff``: the same stored signals read twice, reading by reading."""

from __future__ import annotations

import argparse

import numpy as np

from ascan.base.flags import names
from ascan.commands.job_files import add_job
from ascan.commands.shared import add_common, add_json, answer, check_outputs
from ascan.report.cautions import CAUTION
from ascan.results.shown import length
from ascan.store.readings import csv_file, load_readings
from ascan.survey.differences import WORDS, Differences, differences_between

EXAMPLE = "ascan diff readings.h5 readings-again.h5 --csv differences.csv"
SHOWN = 10


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("earlier", help="readings as they were")
    parser.add_argument("later", help="readings of the same scan, measured again (ascan measure)")
    parser.add_argument("--csv", help="difference of every reading (.csv) to write")
    add_job(parser)
    add_json(parser)
    add_common(parser)


def run(args: argparse.Namespace) -> None:
    """Print how many readings changed and which most; write all of them."""
    check_outputs(args, [args.earlier, args.later], [(args.csv, "CSV")])
    found = differences_between(load_readings(args.earlier), load_readings(args.later))
    if args.csv:
        columns = found.columns()
        for name in ("earlier_flags", "later_flags"):
            columns[name] = np.array([names(int(bits)) for bits in columns[name]])
        columns["outcome"] = np.array([WORDS[code] for code in found.outcome])
        with csv_file(args.csv, replace=args.replace) as file:
            file.append(columns)
    counts = {outcome: int((found.outcome == outcome).sum()) for outcome in WORDS}
    lines = [f"{count:>8}  {WORDS[outcome]}" for outcome, count in counts.items() if count]
    both = np.isfinite(found.off_mm)
    data = {
        "readings": int(found.row.size),
        "outcomes": {outcome.name.lower(): count for outcome, count in counts.items()},
        "mean_off_mm": float(found.off_mm[both].mean()) if both.any() else None,
        "most_off_mm": float(np.abs(found.off_mm[both]).max()) if both.any() else None,
    }
    answer(args, data, [f"{found.row.size} readings:", *lines, *_most(found), CAUTION])


def _most(found: Differences) -> list[str]:
    """Return the readings that moved most."""
    moved = np.flatnonzero(np.nan_to_num(np.abs(found.off_mm)) > 0.0)
    order = moved[np.argsort(-np.abs(found.off_mm[moved]))][:SHOWN]
    return [
        f"row {found.row[k]:>5}  {length(float(found.earlier_mm[k]))} -> "
        f"{length(float(found.later_mm[k]))}  {length(float(found.off_mm[k]), 4, sign=True)}, "
        f"{found.off_over_u[k]:+.1f} u"
        for k in order
    ]
