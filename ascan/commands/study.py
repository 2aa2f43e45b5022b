"""``ascan study``: what repeating and operators add, or a blind trial beside the true values."""

from __future__ import annotations

import argparse

import numpy as np

from ascan.base.errors import fault
from ascan.commands.shared import add_json, add_quiet, answer
from ascan.kernels.arrays import AnyArray
from ascan.report.cautions import CAUTION
from ascan.results.readings import Readings
from ascan.store.readings import load_readings
from ascan.study.variances import BlindTrial, Study, study_of

EXAMPLE = "ascan study readings.h5 --point point --operator operator"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("readings", nargs="+", help="readings files, taken together")
    parser.add_argument("--point", default="point", help="column that names the point")
    parser.add_argument("--operator", help="column that names the operator: a repeat study")
    parser.add_argument("--known-column", help="column with the true thickness: a blind trial")
    parser.add_argument(
        "--known-u-mm", type=float, default=0.0, help="standard u of the true thicknesses"
    )
    add_json(parser)
    add_quiet(parser)


def run(args: argparse.Namespace) -> None:
    """Print the study."""
    if (args.operator is None) == (args.known_column is None):
        raise fault("study", "needs one of --operator and --known-column")
    files = [load_readings(path) for path in args.readings]
    thickness = np.concatenate([one.thickness_mm for one in files])
    point = _column(files, args.readings, args.point)
    if args.operator:
        operator = _column(files, args.readings, args.operator)
        found: Study | BlindTrial = study_of(thickness, point, operator)
    else:
        known = _column(files, args.readings, args.known_column).astype(np.float64)
        wide = np.concatenate([one.columns["expanded_mm"] for one in files])
        if not 0.0 <= args.known_u_mm < np.inf:
            raise fault("--known-u-mm", f"is {args.known_u_mm:g} mm", allowed="0 or more")
        found = BlindTrial(
            point=tuple(map(str, point.tolist())),
            known_mm=known,
            reading_mm=thickness,
            expanded_mm=wide,
            u_known_mm=args.known_u_mm,
        )
    answer(args, found, [*found.lines(), CAUTION])


def _column(files: list[Readings], paths: list[str], name: str) -> AnyArray:
    for path, one in zip(paths, files, strict=True):
        if name not in one.columns:
            raise fault(path, f"has no column '{name}'", allowed=", ".join(one.columns))
    return np.concatenate([one.columns[name] for one in files])
