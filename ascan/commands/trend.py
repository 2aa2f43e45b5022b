"""``ascan trend``: how a surface, or named points, lose wall over three surveys and more."""

from __future__ import annotations

import argparse
from typing import Any

import numpy as np

from ascan.base.errors import fault
from ascan.commands.points import SECONDS_A_YEAR, add_minimum, left_open, minimum_of
from ascan.commands.shared import (
    add_common,
    add_json,
    answer,
    check_outputs,
    need_library,
    numbers_of,
)
from ascan.commands.surface import add_cell_options, cells_of_surveys, survey_of
from ascan.report.cautions import CAUTION
from ascan.report.picture import save_picture
from ascan.report.trend import DPI, trend_figure
from ascan.results.readings import Readings
from ascan.results.shown import length
from ascan.store.readings import csv_file, load_readings
from ascan.survey.change import told_years
from ascan.survey.spots import NAMELESS, spots_of, told_of
from ascan.survey.told import Told
from ascan.survey.trend import Trend, trend_of

EXAMPLE = "ascan trend y2020.h5 y2023.h5 y2026.h5 --years 2020.4,2023.5,2026.4 --minimum 6"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("readings", nargs="+", help="readings files, oldest first")
    parser.add_argument(
        "--years", metavar="Y1,Y2,...", help="when each was read, in years; else by their time_s"
    )
    add_minimum(parser)
    add_cell_options(parser)
    parser.add_argument("-o", "--output", help="picture (.png, .svg, .pdf) of the place to watch")
    parser.add_argument("--csv", help="table of the places (.csv) to write")
    add_json(parser)
    add_common(parser)


def run(args: argparse.Namespace) -> None:
    """Fit, say what is shown, name the place to watch, draw it."""
    outputs = [(args.output, "picture"), (args.csv, "CSV")]
    check_outputs(args, args.readings, outputs)
    if args.output:
        need_library("matplotlib", "cli", "--output")
    files = [load_readings(path) for path in args.readings]
    years, minimum_mm = _years(args, files), minimum_of(args)
    surveys, where = _surveys(args, files)
    found = trend_of(surveys, years)
    table: dict[str, Any] = {**where, **_columns(found, minimum_mm)}
    watch = _to_watch(table)
    if args.csv:
        with csv_file(args.csv, replace=args.replace) as file:
            file.append(table)
    if args.output:
        title = f"{_named(where, watch)}, {len(files)} surveys"
        figure = trend_figure(found, watch, title=title, minimum_mm=minimum_mm)
        save_picture(figure, args.output, dpi=DPI, replace=args.replace)
    data = {
        "surveys": len(files),
        "years": found.years.tolist(),
        "places": int(np.isfinite(found.line.rate_mm_per_year).sum()),
        "places_thinner": int(found.thinner.sum()),
        "whole_rate_mm_per_year": float(found.whole.rate_mm_per_year[0]),
        "u_whole_rate_mm_per_year": float(found.whole.u_rate_mm_per_year[0]),
        "rate_changes": found.rate_changes,
        "to_watch": {name: values[watch] for name, values in table.items()},
    }
    written = [f"written: {path}" for path, _ in outputs if path]
    lines = _lines(found, table, where, watch, minimum_mm)
    answer(args, data, [*lines, *left_open(files[-1]), *written, CAUTION])


def _years(args: argparse.Namespace, files: list[Readings]) -> list[float]:
    """Return when each survey was taken, in years."""
    if args.years:
        return numbers_of(args.years, "--years")
    missing = [
        p for p, one in zip(args.readings, files, strict=True) if "time_s" not in one.columns
    ]
    if missing:
        raise fault(missing[0], "holds no time_s", remedy="give --years, one for each file")
    return [float(np.median(one.columns["time_s"])) / SECONDS_A_YEAR for one in files]


def _surveys(
    args: argparse.Namespace, files: list[Readings]
) -> tuple[list[Told], dict[str, np.ndarray]]:
    """Return what each survey says of the same places, and where those are."""
    if all("point" in one.columns for one in files):
        spots = [{spot.name: spot for spot in spots_of(one)} for one in files]
        names = [
            name for name in dict.fromkeys(n for one in spots for n in one) if name != NAMELESS
        ]
        return (
            [told_of([one.get(name) for name in names]) for one in spots],
            {"point": np.array(names)},
        )
    cells = cells_of_surveys(files, survey_of(args))
    x_mm, y_mm = (grid.ravel() for grid in cells[-1].middles_mm)
    return [one.told for one in cells], {"x_mm": x_mm, "y_mm": y_mm}


def _columns(found: Trend, minimum_mm: float | None) -> dict[str, Any]:
    table: dict[str, Any] = {
        "now_mm": found.line.now_mm,
        "u_now_mm": np.sqrt(found.line.covariance[:, 0, 0]),
        "rate_mm_per_year": found.line.rate_mm_per_year,
        "u_rate_mm_per_year": found.line.u_rate_mm_per_year,
        "thinner": found.thinner,
        "last_rate_mm_per_year": found.last.rate_mm_per_year,
        "u_last_rate_mm_per_year": found.last.u_rate_mm_per_year,
        "first_rate_mm_per_year": found.first.rate_mm_per_year,
        "u_first_rate_mm_per_year": found.first.u_rate_mm_per_year,
        "governing_mm_per_year": found.governing_mm_per_year,
    }
    if minimum_mm is not None:
        rate = found.line.rate_mm_per_year
        left = found.line.now_mm - minimum_mm
        with np.errstate(divide="ignore", invalid="ignore"):
            years = np.where(left <= 0.0, 0.0, np.where(rate > 0.0, left / rate, np.inf))
        table["remaining_years"] = np.where(np.isnan(rate), np.nan, years)
        table["years_at_least"] = found.least_years(minimum_mm)
    return table


def _to_watch(table: dict[str, Any]) -> int:
    """Return the place that is soonest at the minimum, else the one that loses most."""
    if "years_at_least" in table:
        return int(np.argmin(np.nan_to_num(table["years_at_least"], nan=np.inf)))
    return int(np.argmax(np.nan_to_num(table["rate_mm_per_year"], nan=-np.inf)))


def _named(where: dict[str, np.ndarray], place: int) -> str:
    if "point" in where:
        return f"point {where['point'][place]}"
    x_mm, y_mm = (length(float(where[name][place]), 1) for name in ("x_mm", "y_mm"))
    return f"x {x_mm}, y {y_mm}"


def _rate(value: float, u: float) -> str:
    return f"{length(value, 4, sign=True)} a year, u {length(u, 4)}"


def _lines(
    found: Trend,
    table: dict[str, Any],
    where: dict[str, np.ndarray],
    watch: int,
    minimum_mm: float | None,
) -> list[str]:
    rate, u = (table[name] for name in ("rate_mm_per_year", "u_rate_mm_per_year"))
    fitted, whole = np.isfinite(rate), found.whole
    growing = int((rate < -2.0 * u).sum())
    out = [
        f"{len(found.years)} surveys over {found.years[-1]:.2f} years; {int(fitted.sum())} places "
        f"with a rate, {int(found.thinner.sum())} of them thinner by more than twice its u, "
        f"{growing} thicker so" + (": walls do not grow, doubt a survey" if growing else ""),
    ]
    if np.isfinite(whole.rate_mm_per_year[0]):
        bend, u_bend = (
            float(each[0])
            for each in (found.whole_bent.bend_mm_per_year2, found.whole_bent.u_bend_mm_per_year2)
        )
        out += [
            "mean of the places read every time: "
            + _rate(float(whole.rate_mm_per_year[0]), float(whole.u_rate_mm_per_year[0])),
            f"a rate that changes: {length(bend, 4, sign=True)} a year each year, u "
            f"{length(u_bend, 4)}: "
            + ("IT CHANGES" if found.rate_changes else "no change is shown"),
        ]
    out.append(
        f"to watch, {_named(where, watch)}: {length(float(table['now_mm'][watch]))} now, u "
        f"{length(float(table['u_now_mm'][watch]))}; {_rate(float(rate[watch]), float(u[watch]))}"
    )
    for word, name in (("short-term", "last"), ("long-term", "first")):
        told = [float(table[f"{u}{name}_rate_mm_per_year"][watch]) for u in ("", "u_")]
        if np.isfinite(told[0]):
            out.append(f"  {word} rate {_rate(*told)}")
    if minimum_mm is not None:
        years, at_least = (float(table[k][watch]) for k in ("remaining_years", "years_at_least"))
        told_life = told_years(years, at_least, bool(found.thinner[watch]))
        out.append(f"  to the minimum of {length(minimum_mm)}: {told_life}")
    out.append(
        "a rate foresees nothing; inspection codes let the greater of short-term and long-term "
        "rate govern; the governing code and the engineer decide"
    )
    return out
