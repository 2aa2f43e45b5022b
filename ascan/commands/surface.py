"""``ascan map``: a surface from its readings: figures, coverage, picture, cells, mesh."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from ascan.base.errors import fault
from ascan.commands.job_files import add_job, found_in
from ascan.commands.shared import add_common, add_json, answer, check_outputs, need_library
from ascan.kernels.arrays import FloatArray
from ascan.report.cautions import CAUTION
from ascan.report.surface import draw_surface
from ascan.report.surface_lines import surface_lines
from ascan.results.readings import Readings
from ascan.results.shown import length, length_of, size_of
from ascan.results.sources import refuse_other_components
from ascan.store.job import READINGS, Survey
from ascan.store.mesh import save_mesh
from ascan.store.readings import csv_file, load_readings
from ascan.survey.cells import Area, Cells, Coverage, coverage_of, pitch_of, to_cells
from ascan.survey.figures import figures_of
from ascan.survey.joining import Overlap, Placement, join
from ascan.survey.neighbours import footprint_u_mm, joint_map
from ascan.survey.places import Places, places_of
from ascan.survey.raster import position_faults

EXAMPLE = "ascan map readings.h5 --beam 4 --limit 6 --limit 5 -o map.png --csv cells.csv"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("readings", help="readings file with positions")
    add_surface_options(parser)
    parser.add_argument("-o", "--output", help="picture (.png, .svg, .pdf) to write")
    parser.add_argument(
        "--joint",
        metavar="LENGTH",
        help="add to the cells, beside the readings, the wall that all of them together make "
        "likely under overlapping beams, if places a beam apart differ by so much (needs --beam)",
    )
    parser.add_argument("--csv", help="table of the cells (.csv) to write")
    parser.add_argument(
        "--mesh", help="surface to write for other programs: .vtu, .vtk, .ply, .stl or .obj"
    )
    add_json(parser)
    add_common(parser)


def add_surface_options(parser: argparse.ArgumentParser) -> None:
    """Add what says how a surface is to be cut into cells and judged."""
    add_cell_options(parser)
    parser.add_argument("--beam", metavar="LENGTH", help="diameter of the beam, for coverage")
    parser.add_argument(
        "--limit",
        action="append",
        metavar="LENGTH",
        help="reckon the area below it; may be given again",
    )
    parser.add_argument(
        "--and",
        dest="others",
        action="append",
        default=[],
        metavar="FILE@X,Y,DEG",
        help="readings of another scan, whose origin lies at X, Y of the first one and whose axes "
        "are turned by DEG from x towards y",
    )


def add_cell_options(parser: argparse.ArgumentParser) -> None:
    """Add what says how a surface is to be cut into cells."""
    parser.add_argument("--cell", metavar="LENGTH", help="side of a cell (default: the pitch)")
    parser.add_argument("--area", metavar="X0,X1,Y0,Y1", help="ground to be covered")
    parser.add_argument("--diameter", metavar="LENGTH", help="outside diameter of a pipe")
    add_job(parser)


def run(args: argparse.Namespace) -> None:
    """Print the figures; write picture, cells and mesh."""
    outputs = [(args.output, "picture"), (args.csv, "CSV"), (args.mesh, "mesh")]
    named = named_scans(args)
    check_outputs(args, [args.readings, *(path for path, _ in named)], outputs)
    if args.output:
        need_library("matplotlib", "cli", "--output")
    if args.mesh:
        need_library("meshio", "mesh", "--mesh")
    survey = survey_of(args)
    files = [args.readings, *(path for path, _ in named)]
    places, overlaps, cell_mm = joined(load_readings(args.readings), named, survey)
    cells, coverage = cells_and_coverage(places, survey, cell_mm)
    figures = figures_of(cells, survey.limits_mm)
    more = _by_neighbours(args, places, survey.beam_mm)
    title = " + ".join(Path(path).name for path in files)
    if args.output:
        spot = ((figures.x_mm, figures.y_mm, "least"),) if figures.read else ()
        draw_surface(cells, figures, args.output, title=title, marks=spot, replace=args.replace)
    if args.csv:
        with csv_file(args.csv, replace=args.replace) as file:
            file.append(cell_columns(cells, more))
    if args.mesh:
        save_mesh(cells, args.mesh, replace=args.replace)
    written = [f"written: {path}" for path, _ in outputs if path]
    data: dict[str, Any] = {"figures": figures, "coverage": coverage, "overlaps": overlaps}
    lines = surface_lines(cells, figures, coverage, survey.index_mm)
    lines = [*(position_faults(places) if places.scan is None else []), *lines]
    if named and figures.read and places.scan is not None:
        inside = np.where(cells.outside, np.nan, places.thickness_mm)
        data["least_of"] = Path(files[int(places.scan[np.nanargmin(inside)])]).name
        lines.append(f"the least reading is row {figures.row} of {data['least_of']}")
    lines += [*_footprint_lines(cells, more), *overlap_lines(overlaps, files), *written]
    answer(args, data, [*lines, CAUTION])


def named_scans(args: argparse.Namespace) -> list[tuple[str, Placement]]:
    """Return the files of the scans that are joined to the first one, and where they lie."""
    named = [_named(text) for text in args.others]
    return [(found_in(args.in_job, path, READINGS), where) for path, where in named]


class Joined(NamedTuple):
    """The places of all scans, what they say of common ground, and the side of a cell."""

    places: Places
    overlaps: list[Overlap]
    cell_mm: float


def joined(first: Readings, named: list[tuple[str, Placement]], survey: Survey) -> Joined:
    """Return the places of all scans."""
    readings = [first, *(load_readings(path) for path, _ in named)]
    diameter = survey.outside_diameter_mm
    scans = [places_of(one, outside_diameter_mm=diameter) for one in readings]
    cell_mm = survey.cell_mm or pitch_of(scans[0])
    placements = [Placement(), *(where for _, where in named)]
    return Joined(*join(scans, placements, 0.5 * cell_mm), cell_mm)


def survey_of(args: argparse.Namespace) -> Survey:
    """Return how the surface is to be judged: the job's survey, options first."""
    base = args.in_job.survey if args.in_job else Survey()
    told: dict[str, float | None] = {
        "cell_mm": base.cell_mm,
        "beam_mm": base.beam_mm,
        "index_mm": base.index_mm,
        "outside_diameter_mm": base.outside_diameter_mm,
        "limit_mm": base.limit_mm,
        "second_limit_mm": base.second_limit_mm,
    }
    for name, key in (
        ("cell", "cell_mm"), ("beam", "beam_mm"), ("diameter", "outside_diameter_mm")
    ):  # fmt: skip
        if given := getattr(args, name, None):
            told[key] = size_of(given, f"--{name}")
    if getattr(args, "limit", None):
        if len(args.limit) > 2:
            raise fault("--limit", f"is given {len(args.limit)} times", allowed="twice at most")
        limits = [size_of(text, "--limit") for text in args.limit]
        told["limit_mm"] = max(limits)
        told["second_limit_mm"] = min(limits) if len(limits) > 1 else None
    corners = base.corners_mm
    if args.area:
        words = args.area.split(",")
        if len(words) != 4:
            raise fault("--area", f"is '{args.area}'", allowed="X0,X1,Y0,Y1")
        corners = tuple(length_of(word, "--area") for word in words)
    names = ("x_from_mm", "x_to_mm", "y_from_mm", "y_to_mm")
    return Survey(**told, **dict(zip(names, corners, strict=True)))


def cells_of(places: Places, survey: Survey, cell_mm: float) -> Cells:
    """Return the cells of a surface, on the ground that the survey states."""
    area = None
    if survey.x_from_mm is not None:
        x0, x1, y0, y1 = (float(value or 0.0) for value in survey.corners_mm)
        area = Area(x_from_mm=x0, x_to_mm=x1, y_from_mm=y0, y_to_mm=y1)
    return to_cells(places, cell_mm=cell_mm, area=area)


def cells_of_surveys(files: Sequence[Readings], survey: Survey) -> list[Cells]:
    """Return the cells of several surveys of one surface, all on the ground of the last."""
    refuse_other_components([one.provenance for one in files])
    scans = [places_of(one, outside_diameter_mm=survey.outside_diameter_mm) for one in files]
    cell_mm = survey.cell_mm or max(pitch_of(one) for one in scans)
    last = cells_of(scans[-1], survey, cell_mm)
    return [*(to_cells(one, cell_mm=cell_mm, area=last.area) for one in scans[:-1]), last]


def cells_and_coverage(
    places: Places, survey: Survey, cell_mm: float
) -> tuple[Cells, Coverage | None]:
    """Return the cells of a surface, and its coverage where the beam is known."""
    cells = cells_of(places, survey, cell_mm)
    if survey.beam_mm is None:
        return cells, None
    return cells, coverage_of(places, cells.area, survey.beam_mm)


def _by_neighbours(
    args: argparse.Namespace, places: Places, beam_mm: float | None
) -> dict[str, FloatArray]:
    """Return what the neighbours of each reading say: its footprint's u, and the joint wall."""
    if beam_mm is None:
        if args.joint:
            raise fault("--joint", "needs the beam's diameter", remedy="--beam")
        return {}
    at = (places.x_mm, places.y_mm, places.thickness_mm)
    more = {"u_footprint_mm": footprint_u_mm(*at, 0.5 * beam_mm)}
    if args.joint:
        roughness = length_of(args.joint, "--joint")
        more["joint_mm"], more["u_joint_mm"] = joint_map(
            *at, places.u_random_mm, footprint_mm=beam_mm, roughness_mm=roughness
        )
    return more


def _footprint_lines(cells: Cells, more: dict[str, FloatArray]) -> list[str]:
    """Return by how much a wall that varies under the beam may be misread."""
    if "u_footprint_mm" not in more or not (cells.least >= 0).any():
        return []
    u = more["u_footprint_mm"]
    if not np.nanmax(u) > 0.0:
        return [
            "no two readings within half a beam of each other differ, or none lie so near: what a "
            "wall that varies under the beam adds is not known, and not in the u above"
        ]
    known = cells.least[cells.least >= 0]
    least = u[known[np.argmin(cells.places.thickness_mm[known])]]
    told = [length(float(one)) for one in (np.median(u[known]), u[known].max(), least)]
    return [
        f"the wall varies under the beam: that adds u {told[0]} (median), {told[1]} at most, "
        f"{told[2]} at the least reading; not in the u above"
    ]


def cell_columns(cells: Cells, more: dict[str, FloatArray]) -> dict[str, Any]:
    """Return the cells as columns: middle, least reading, its u, row and neighbours', counts."""
    x_mm, y_mm = (grid.ravel() for grid in cells.middles_mm)
    least, scan = cells.least.ravel(), cells.places.scan
    row = np.where(least >= 0, cells.places.row[np.maximum(least, 0)], -1)
    return {
        "x_mm": x_mm,
        "y_mm": y_mm,
        "least_mm": cells.thickness_mm.ravel(),
        "u_mm": cells.u_mm.ravel(),
        "row": row,
        **({} if scan is None else {"scan": np.where(least >= 0, scan[np.maximum(least, 0)], -1)}),
        "usable": cells.usable.ravel(),
        "refused": cells.refused.ravel(),
        **{name: cells.of_least(values).ravel() for name, values in more.items()},
    }


def overlap_lines(overlaps: list[Overlap], files: list[str]) -> list[str]:
    """Return what the overlaps of joined scans say."""
    lines = []
    for one in overlaps:
        pair = f"{Path(files[one.first]).name} and {Path(files[one.second]).name}"
        if not one.pairs:
            lines.append(f"{pair} share no position that both could measure")
            continue
        lines.append(
            f"{pair} share {one.pairs} positions: the second reads {length(one.mean_mm, sign=True)}"
            f" more, spread {length(one.spread_mm)} (by their own noise {length(one.expected_mm)})"
        )
    return lines


def _named(text: str) -> tuple[str, Placement]:
    path, at, where = text.rpartition("@")
    words = where.split(",")
    if not at or len(words) != 3:
        raise fault("--and", f"is '{text}'", allowed="FILE@X,Y,DEG, such as part2.h5@120,0,90")
    try:
        turn = float(words[2])
    except ValueError:
        turn = np.nan
    if not np.isfinite(turn):
        raise fault("--and", f"turns by '{words[2]}'", allowed="degrees")
    x_mm, y_mm = (length_of(word, "--and") for word in words[:2])
    return path, Placement(x_mm=x_mm, y_mm=y_mm, turn_deg=turn)
