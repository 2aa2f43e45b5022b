"""``ascan job-report``: a job as one page to file and audit."""

from __future__ import annotations

import argparse
import dataclasses
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from ascan.base.errors import fault
from ascan.base.flags import names
from ascan.base.given import written_text
from ascan.calibration.record import Calibration
from ascan.commands.change import Compared, compare_surfaces
from ascan.commands.job_files import add_job_file
from ascan.commands.measure import lone_rows, second_look
from ascan.commands.points import left_open, told_spots, years_between
from ascan.commands.shared import (
    add_common,
    check_measured_with,
    check_outputs,
    need_library,
    say,
    taken_lines,
)
from ascan.commands.surface import (
    add_surface_options,
    cells_and_coverage,
    joined,
    named_scans,
    overlap_lines,
    survey_of,
)
from ascan.engine.binding import bind
from ascan.engine.pipeline import Pipeline
from ascan.engine.thickness_stage import ThicknessStage
from ascan.procedure.written import Procedure
from ascan.report.deciding import decision_lines
from ascan.report.points import points_figure
from ascan.report.record import Picture, Record, png_of, record_page
from ascan.report.surface import change_figure, surface_figure
from ascan.report.surface_lines import surface_lines
from ascan.report.waveform import waveform_figure
from ascan.results.readings import Readings
from ascan.results.shown import length
from ascan.store.calibrations import load_calibration
from ascan.store.job import CALIBRATION, PAGES, SCANS, SERIES, Survey
from ascan.store.provenance import waveforms_digest
from ascan.store.readings import load_readings
from ascan.store.replacing import whole_file
from ascan.store.scans import open_scan
from ascan.store.series import chain_of, load_series, refuse_lost
from ascan.study.budget import budget_of
from ascan.survey.figures import figures_of
from ascan.survey.indications import indications_of
from ascan.survey.places import gone_of
from ascan.survey.raster import position_faults
from ascan.survey.spots import point_names
from ascan.waveform.scan import Scan

EXAMPLE = (
    "ascan job-report readings.h5 --scan component.npz --calibration calibration.h5 -o job.html"
)
INDICATIONS, REJECTED, APART_PITCHES = 6, 60, 3.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("readings", help="readings file")
    add_job_file(
        parser,
        "--scan",
        dest="waveforms",
        job=f"{SCANS}/",
        needed=False,
        help="the waveforms they were measured from, for pictures (found in a job's scans/)",
    )
    add_job_file(parser, "--calibration", job=CALIBRATION, help="calibration file")
    add_job_file(parser, "--series", job=SERIES, needed=False, help="file of checks (ascan check)")
    parser.add_argument(
        "--earlier", help="readings of the same surface or points, taken before: what has changed"
    )
    parser.add_argument("--years", type=float, help="between the two; else by their column time_s")
    parser.add_argument(
        "--pits", metavar="FILE", help="what ascan smallest-pit --json printed of this procedure"
    )
    add_surface_options(parser)
    add_job_file(
        parser, "-o", "--output", job=f"{PAGES}/{{stem}}.html", help="page (.html) to write"
    )
    add_common(parser)


def run(args: argparse.Namespace) -> None:
    """Gather and write the page."""
    need_library("matplotlib", "cli", "record")
    readings, calibration = load_readings(args.readings), load_calibration(args.calibration)
    check_measured_with(readings, calibration, args.calibration)
    scan = _scan_of(args, readings)
    others = [path for path, _ in named_scans(args)]
    inputs = [args.readings, args.calibration, args.series, args.waveforms, args.earlier, *others]
    check_outputs(args, inputs, [(args.output, "HTML")])
    procedure = Procedure.from_text(str(readings.provenance.get("procedure", "")))
    record = _gather(args, readings, calibration, procedure, scan)
    with whole_file(args.output, replace=args.replace) as part:
        part.write_text(record_page(record), encoding="utf-8")
    say(args, [f"page {args.output}"])
    if scan is None:
        say(args, ["without the waveforms (--scan) the page holds no pictures of them"])


def _scan_of(args: argparse.Namespace, readings: Readings) -> Scan | None:
    """Return the waveforms that the readings were measured from; others are refused."""
    kept = readings.provenance.get("input", {})
    if args.waveforms is None and args.in_job is not None:
        name = Path(str(kept.get("name", ""))).name
        inside = args.in_job.path(SCANS) / name
        args.waveforms = str(inside) if name and inside.is_file() else None
    if args.waveforms is None:
        return None
    scan = open_scan(args.waveforms)
    rows = readings.columns.get("scan_row")
    used = scan if rows is None else scan.choose(rows.tolist())
    if kept.get("waveforms_sha256") != waveforms_digest(used):
        raise fault(args.waveforms, "is not what the readings were measured from")
    return scan


def _pits(path: str, procedure: Procedure) -> list[str]:
    """Return what was simulated of pits under a procedure, in lines; another's is refused."""
    content = written_text(path)
    try:
        data = json.loads(content)
        told, text = data["told"], data["procedure"]
    except (ValueError, KeyError, TypeError):
        remedy = "write it: ascan smallest-pit ... --json > pits.json"
        raise fault(path, "is not what ascan smallest-pit prints", remedy=remedy) from None
    if text != procedure.text:
        raise fault(path, "is of another procedure than the readings", remedy="simulate this one")
    return [str(line) for line in told]


def _gather(
    args: argparse.Namespace,
    readings: Readings,
    calibration: Calibration,
    procedure: Procedure,
    scan: Scan | None,
) -> Record:
    columns = readings.columns
    pipeline = bind(procedure, scan.recording, calibration) if scan else None
    has_places = {"x_mm", "y_mm"} <= set(columns) or {"x_mm", "angle_deg"} <= set(columns)
    title = args.in_job.title if args.in_job else procedure.title
    parts: dict[str, Any] = {}
    before = load_readings(args.earlier) if args.earlier else None
    years = years_between(before, readings, args.years)
    minimum = procedure.decision.minimum_mm if procedure.decision else None
    thinnest = _thinnest(readings)
    if has_places:
        survey = survey_of(args)
        lines, pictures, thinnest = _surface(args, readings, survey, title)
        stated = [
            f"{name.removesuffix('_mm').replace('_', ' ')} {length(value)}"
            for name, value in dataclasses.asdict(survey).items()
            if value is not None
        ]
        lines.append(f"as stated: {', '.join(stated) or 'nothing'}")
        if before is not None:
            compared = compare_surfaces(before, readings, survey, years, minimum)
            lines += ["Since the earlier survey:", *compared.lines, *left_open(readings)]
            pictures.append(_lost(compared))
        parts |= {"surface": lines, "pictures": pictures}
    if "point" in columns:
        table, parts["spots"] = told_spots(readings, before, years, minimum)
        parts["spot_pictures"] = [_points(table, minimum)]
        if not has_places:
            thinnest = _thinnest_points(readings, table)
    if procedure.decision is not None and "decision" in columns:
        parts["verdicts"] = decision_lines(readings, procedure.decision)
    if pipeline is not None and scan is not None:
        parts["indications"] = [
            _indication(pipeline, scan, readings, row, number) for number, row in thinnest.items()
        ]
    if thinnest:
        row = next(iter(thinnest.values()))
        stage = ThicknessStage(procedure, calibration)
        times = (float(columns[name][row]) for name in ("interval_us", "u_interval_us"))
        parts["budget"] = budget_of(stage, *times).lines()
    parts["pits"] = _pits(args.pits, procedure) if args.pits else ()
    aged = calibration.age_in_words(datetime.now(UTC))
    checks = load_series(args.series) if args.series else []
    if checks and checks[0].calibration != calibration.digest:
        raise fault(
            args.series,
            "holds checks of another calibration than the readings'",
            remedy="name the series of this calibration",
        )
    told = [f"{datetime.fromtimestamp(c.time_s, UTC):%Y-%m-%d %H:%M} UTC  {c}" for c in checks]
    if checks:
        refuse_lost(readings.provenance, checks, args.series)
        told.append(f"digest of the series: {chain_of(checks)[-1]}")
    if checks and "check_status" not in columns:
        told.append("the readings were not settled by these checks (ascan apply-checks)")
    return Record(
        title=title,
        about=_about(args, procedure, aged),
        readings=readings,
        calibration=calibration,
        checks=told,
        rejected=_rejected(readings),
        taken=taken_lines(procedure, matched=calibration.is_matched),
        **parts,
    )


def _about(args: argparse.Namespace, procedure: Procedure, aged: str | None) -> dict[str, str]:
    """Return what an auditor asks; what a job leaves out is named as not stated."""
    about = {"procedure": procedure.title, "probe": _probe(procedure)}
    if args.in_job:
        stated = dataclasses.asdict(args.in_job.about)
        about |= {k.replace("_", " "): v or "not stated" for k, v in stated.items()}
    if aged:
        about["calibration out of date"] = aged
    return about


def _probe(procedure: Procedure) -> str:
    probe = procedure.probe
    return f"{probe.name}, {probe.arrangement.replace('_', ' ')}, {probe.frequency_mhz:g} MHz"


def _thinnest(readings: Readings) -> dict[int, int]:
    """Return the rows of the thinnest usable readings by their numbers, from 1."""
    usable = np.flatnonzero(~gone_of(readings))
    order = usable[np.argsort(readings.thickness_mm[usable])]
    return {number: int(row) for number, row in enumerate(order[:INDICATIONS], 1)}


def _points(table: dict[str, Any], minimum_mm: float | None) -> Picture:
    figure = points_figure(table, title="Named points", minimum_mm=minimum_mm)
    caption = (
        "Least reading of each point with twice its standard uncertainty; hollow with care, a bar "
        "what it was before"
    )
    return Picture(png=png_of(figure), caption=caption)


def _thinnest_points(readings: Readings, table: dict[str, Any]) -> dict[int, int]:
    """Return the row of the least reading of each of the thinnest points by number."""
    rows = readings.scan_rows.tolist()
    order = np.argsort(table["least_mm"], kind="stable")[: np.isfinite(table["least_mm"]).sum()]
    chosen = order[:INDICATIONS]
    return {number: rows.index(table["row"][one]) for number, one in enumerate(chosen, 1)}


class Surface(NamedTuple):
    """A surface in words and drawn, and the rows of its thinnest places by number."""

    lines: list[str]
    pictures: list[Picture]
    thinnest: dict[int, int]


def _surface(args: argparse.Namespace, readings: Readings, survey: Survey, title: str) -> Surface:
    """Return the surface of a job.

    Places of joined scans are named; their waveforms stand on the pages of their own scans.
    """
    named = named_scans(args)
    files = [args.readings, *(path for path, _ in named)]
    places, overlaps, cell_mm = joined(readings, named, survey)
    cells, coverage = cells_and_coverage(places, survey, cell_mm)
    figures = figures_of(cells, survey.limits_mm)
    found = indications_of(places, apart_mm=APART_PITCHES * cell_mm, most=INDICATIONS)
    marks = tuple(
        (float(places.x_mm[one]), float(places.y_mm[one]), str(number))
        for number, one in enumerate(found, 1)
    )
    lines = surface_lines(cells, figures, coverage, survey.index_mm)
    lines = [*(position_faults(places) if places.scan is None else []), *lines]
    lines += second_look(lone_rows(readings))
    picture = surface_figure(cells, figures, title=title, marks=marks)
    caption = (
        "Least reading in each cell, never smoothed; darker is thinner, crossed cells were "
        "refused, ruled ones hold no position; numbers are the thinnest places below"
    )
    rows = readings.scan_rows.tolist()
    of_scan = np.zeros(len(places), np.int64) if places.scan is None else places.scan
    thinnest = {
        number: rows.index(places.row[one])
        for number, one in enumerate(found, 1)
        if of_scan[one] == 0
    }
    lines += overlap_lines(overlaps, files)
    lines += [
        f"place {number} is row {int(places.row[one])} of {Path(files[of_scan[one]]).name}: "
        f"{length(float(places.thickness_mm[one]))}"
        for number, one in enumerate(found, 1)
        if of_scan[one]
    ]
    return Surface(lines, [Picture(png=png_of(picture), caption=caption)], thinnest)


def _lost(compared: Compared) -> Picture:
    title = "Loss since the earlier survey"
    figure = change_figure(compared.later, compared.earlier, compared.change, title=title)
    caption = (
        "Loss of each cell; darker is more, outlined where it is more than twice its standard "
        "uncertainty, dashed where it was read before and is not now; crossed cells are refused "
        "now, ruled ones were not read in both"
    )
    return Picture(png=png_of(figure), caption=caption)


def _indication(
    pipeline: Pipeline, scan: Scan, readings: Readings, row: int, number: int
) -> Picture:
    columns = readings.columns
    in_scan = int(columns["scan_row"][row]) if "scan_row" in columns else row
    block = scan.rows.read_block(in_scan, in_scan + 1)
    start_us = float(scan.start_time_us[in_scan])
    figure, _ = waveform_figure(pipeline, block[0], start_us, title=f"row {in_scan}")
    where = ""
    if {"x_mm", "y_mm"} <= set(columns):
        x, y = (length(float(columns[name][row]), 1) for name in ("x_mm", "y_mm"))
        where = f" at x {x}, y {y}"
    elif {"x_mm", "angle_deg"} <= set(columns):
        x = length(float(columns["x_mm"][row]), 1)
        where = f" at x {x}, {float(columns['angle_deg'][row]):.1f}° from the top"
    if "point" in columns:
        where += f" at point {point_names(columns['point'][row : row + 1])[0]}"
    expanded = length(float(columns["expanded_mm"][row]))
    thickness = length(float(columns["thickness_mm"][row]))
    told = f"{number}: row {in_scan}, {thickness} ± {expanded} (95 %){where}"
    bits = int(columns["flags"][row])
    told += f"; {names(bits).replace(';', ', ')}" if bits else "; no flag"
    return Picture(png=png_of(figure), caption=told)


def _rejected(readings: Readings) -> list[str]:
    gone = np.flatnonzero(gone_of(readings))
    rows = readings.scan_rows
    lines = [
        f"row {rows[k]}: {names(int(readings.flags[k])) or 'void by a failed check'}"
        for k in gone[:REJECTED]
    ]
    if gone.size > REJECTED:
        lines.append(f"and {gone.size - REJECTED} more (in the readings file)")
    return lines
