"""``ascan extremes``: the least wall to be expected on ground that nobody looked at."""

from __future__ import annotations

import argparse
from pathlib import Path

from ascan.base.errors import fault
from ascan.commands.shared import add_common, add_json, answer, check_outputs, need_library
from ascan.commands.surface import add_cell_options, cells_of, survey_of
from ascan.report.cautions import CAUTION
from ascan.report.extremes import DPI, extremes_figure
from ascan.report.picture import save_picture
from ascan.results.shown import size_of
from ascan.store.readings import load_readings
from ascan.survey.cells import pitch_of
from ascan.survey.elsewhere import least_elsewhere
from ascan.survey.places import places_of

EXAMPLE = "ascan extremes readings.h5 --block 40 --whole-m2 12.5 -o extremes.png"
MM2_PER_M2 = 1e6


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("readings", help="readings file with positions")
    parser.add_argument(
        "--block", required=True, metavar="LENGTH", help="side of a block, large against pits"
    )
    parser.add_argument(
        "--whole-m2", required=True, type=float, metavar="AREA",
        help="area of the whole component, the scanned ground included",
    )  # fmt: skip
    add_cell_options(parser)
    parser.add_argument("-o", "--output", help="picture (.png, .svg, .pdf) to write")
    add_json(parser)
    add_common(parser)


def run(args: argparse.Namespace) -> None:
    """Fit, carry on, say how far it can be trusted, draw."""
    check_outputs(args, [args.readings], [(args.output, "picture")])
    if args.output:
        need_library("matplotlib", "cli", "--output")
    if not args.whole_m2 > 0.0:
        raise fault("--whole-m2", f"is {args.whole_m2:g}", allowed="above 0, in m²")
    survey = survey_of(args)
    places = places_of(load_readings(args.readings), outside_diameter_mm=survey.outside_diameter_mm)
    cells = cells_of(places, survey, survey.cell_mm or pitch_of(places))
    block_mm = size_of(args.block, "--block")
    found = least_elsewhere(cells, block_mm, args.whole_m2 * MM2_PER_M2)
    if args.output:
        figure = extremes_figure(found, title=Path(args.readings).name)
        save_picture(figure, args.output, dpi=DPI, replace=args.replace)
    data = {
        "blocks": found.fit.values.size,
        "left_out": found.left_out,
        "block_mm": found.block_mm,
        "blocks_in_whole": found.blocks,
        "least_mm": found.least_mm,
        "low_mm": found.low_mm,
        "high_mm": found.high_mm,
        "shape": found.fit.best.shape,
        "log_likelihood": found.fit.likelihood,
        "gumbel_log_likelihood": found.gumbel.likelihood,
    }
    written = [f"written: {args.output}"] if args.output else []
    answer(args, data, [*found.lines(), *written, CAUTION])
