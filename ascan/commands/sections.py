"""``ascan sections``: the least wall along a surface and round it, any line, thin ground."""

from __future__ import annotations

import argparse
import dataclasses
from pathlib import Path

import numpy as np

from ascan.base.errors import fault
from ascan.commands.shared import add_common, add_json, answer, check_outputs, need_library
from ascan.commands.surface import add_cell_options, cells_of, survey_of
from ascan.report.cautions import CAUTION
from ascan.report.picture import save_picture
from ascan.report.sections import DPI, sections_figure
from ascan.results.shown import length
from ascan.store.readings import csv_file, load_readings
from ascan.survey.cells import pitch_of
from ascan.survey.places import places_of
from ascan.survey.sections import Extent, Section, critical_profiles, extents_below, section_along

EXAMPLE = "ascan sections readings.h5 --limit 6 -o sections.png --csv sections.csv"
MOST_TOLD = 5


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("readings", help="readings file with positions")
    parser.add_argument("--line", metavar="X0,Y0,X1,Y1", help="a line to be shown, too, in mm")
    parser.add_argument(
        "--limit", action="append", metavar="LENGTH", help="ground below it: length and width"
    )
    add_cell_options(parser)
    parser.add_argument("-o", "--output", help="picture (.png, .svg, .pdf) to write")
    parser.add_argument("--csv", help="table of the sections (.csv) to write")
    add_json(parser)
    add_common(parser)


def run(args: argparse.Namespace) -> None:
    """Cut, tell, draw."""
    outputs = [(args.output, "picture"), (args.csv, "CSV")]
    check_outputs(args, [args.readings], outputs)
    if args.output:
        need_library("matplotlib", "cli", "--output")
    survey = survey_of(args)
    places = places_of(load_readings(args.readings), outside_diameter_mm=survey.outside_diameter_mm)
    cells = cells_of(places, survey, survey.cell_mm or pitch_of(places))
    if not np.isfinite(cells.thickness_mm).any():
        raise fault(args.readings, "holds no thickness on this ground")
    sections = [*critical_profiles(cells)]
    if args.line:
        ends = _line(args.line)
        sections.append(section_along(cells, ends[:2], ends[2:]))
    limits_mm = survey.limits_mm
    extents = {limit: extents_below(cells, limit) for limit in limits_mm}
    if args.csv:
        with csv_file(args.csv, replace=args.replace) as file:
            file.append(_table(sections))
    if args.output:
        title = Path(args.readings).name
        figure = sections_figure(sections, title=title, limits_mm=limits_mm)
        save_picture(figure, args.output, dpi=DPI, replace=args.replace)
    data = {
        "sections": {one.name: _least(one) for one in sections},
        "below": [
            {"limit_mm": limit, **dataclasses.asdict(one)}
            for limit, each in extents.items()
            for one in each
        ],
    }
    written = [f"written: {path}" for path, _ in outputs if path]
    lines = [_told(one) for one in sections]
    for limit, each in extents.items():
        lines += _extents_told(each, limit)
    answer(args, data, [*lines, *written, CAUTION])


def _line(text: str) -> tuple[float, float, float, float]:
    try:
        x0, y0, x1, y1 = (float(part) for part in text.split(","))
    except ValueError:
        raise fault("--line", f"is '{text}'", allowed="X0,Y0,X1,Y1 in mm") from None
    return x0, y0, x1, y1


def _least(section: Section) -> dict[str, float]:
    k = int(np.nanargmin(section.thickness_mm))
    names = ("at_mm", "x_mm", "y_mm", "thickness_mm", "u_mm")
    return {name: float(getattr(section, name)[k]) for name in names}


def _told(section: Section) -> str:
    read = int(np.isfinite(section.thickness_mm).sum())
    told = f"{section.name}: {read} of {section.at_mm.size} places read"
    if not read:
        return told
    least = _least(section)
    x_mm, y_mm = (length(least[name], 1) for name in ("x_mm", "y_mm"))
    return (
        f"{told}; least {length(least['thickness_mm'])}, u {length(least['u_mm'])}, at x {x_mm}, "
        f"y {y_mm}"
    )


def _extents_told(extents: list[Extent], limit_mm: float) -> list[str]:
    if not extents:
        return [f"no cell reads below {length(limit_mm)}"]
    out = [f"{len(extents)} patches read below {length(limit_mm)}; no acceptance is decided here"]
    for one in extents[:MOST_TOLD]:
        out.append(
            f"  {length(one.length_mm, 1)} along x, {length(one.width_mm, 1)} along y, at x "
            f"{length(one.x_mm, 1)}, y {length(one.y_mm, 1)}: least {length(one.least_mm)}, u "
            f"{length(one.u_least_mm)}, mean {length(one.mean_mm)}, {one.cells} cells"
        )
    if len(extents) > MOST_TOLD:
        out.append(f"  and {len(extents) - MOST_TOLD} more")
    return out


def _table(sections: list[Section]) -> dict[str, np.ndarray]:
    table = {"section": np.repeat([s.name for s in sections], [s.at_mm.size for s in sections])}
    for name in ("at_mm", "x_mm", "y_mm", "thickness_mm", "u_mm", "half_mm"):
        table[name] = np.concatenate([getattr(one, name) for one in sections])
    return table
