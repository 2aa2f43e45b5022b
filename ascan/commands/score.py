"""``ascan score``: readings against a wall that was measured otherwise."""

from __future__ import annotations

import argparse

from ascan.base.errors import fault
from ascan.commands.shared import add_common, add_json, answer, check_outputs
from ascan.procedure.written import Procedure
from ascan.report.cautions import CAUTION
from ascan.store.height_maps import load_height_map
from ascan.store.readings import csv_file, load_readings
from ascan.survey.scoring import Score, score

EXAMPLE = (
    "ascan score readings.h5 --truth ground.csv --beam-mm 3 --offset-mm 12.5,-4 --csv each.csv"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("readings", help="readings with the columns x_mm and y_mm (ascan measure)")
    parser.add_argument(
        "--truth", required=True,
        help="height map (.csv or .npz): x_mm, y_mm, thickness_mm, u_mm",
    )  # fmt: skip
    parser.add_argument(
        "--beam-mm", type=float, required=True, help="diameter of the beam at the wall, -6 dB"
    )
    parser.add_argument(
        "--offset-mm",
        default="0,0",
        metavar="X,Y",
        help="where the map's origin lies (default 0,0)",
    )
    parser.add_argument(
        "--angle-deg", type=float, default=0.0, help="from the readings' x to the map's, towards y"
    )
    parser.add_argument("--u-mm", type=float, help="standard uncertainty of a map that holds none")
    parser.add_argument("--csv", help="truth and verdict of every reading (.csv) to write")
    add_json(parser)
    add_common(parser)


def run(args: argparse.Namespace) -> None:
    """Print how many readings are right, wrong, marked; write each with its truth."""
    check_outputs(args, [args.readings, args.truth], [(args.csv, "CSV")])
    readings = load_readings(args.readings)
    procedure = Procedure.from_text(readings.provenance["procedure"])
    wavelength_mm = procedure.material.velocity_mm_per_us / procedure.probe.frequency_mhz
    ground = load_height_map(args.truth, u_mm=args.u_mm)
    ground = ground.moved(_pair(args.offset_mm), args.angle_deg)
    found = score(readings, ground, beam_mm=args.beam_mm, wavelength_mm=wavelength_mm)
    if args.csv:
        with csv_file(args.csv, replace=args.replace) as file:
            file.append(found.columns() | {"flags": readings.flags})
    answer(args, found.counts(), [*_lines(found), CAUTION])


def _pair(text: str) -> tuple[float, float]:
    """Return two lengths in mm from ``X,Y``."""
    try:
        x, y = (float(part) for part in text.split(","))
    except ValueError:
        raise fault(
            "--offset-mm", f"is '{text}'", allowed="two lengths in mm, such as 12.5,-4"
        ) from None
    return x, y


def _lines(found: Score) -> list[str]:
    counts = found.counts()
    head = f"{counts['on_the_map']} of {counts['readings']} readings lie on the map"
    return [head, *(f"{counts[key]:>8}  {key.replace('_', ' ')}" for key in list(counts)[2:])]
