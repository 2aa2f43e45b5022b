"""``ascan change``: what a surface has lost since an earlier survey."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ascan.base.errors import fault
from ascan.commands.points import (
    add_loss_options,
    left_open,
    minimum_of,
    same_signals,
    shared_told,
    unlike_procedures,
    years_between,
)
from ascan.commands.shared import add_common, add_json, answer, check_outputs, need_library
from ascan.commands.surface import add_cell_options, cells_of_surveys, survey_of
from ascan.report.cautions import CAUTION
from ascan.report.picture import save_picture
from ascan.report.surface import DPI, change_figure
from ascan.results.readings import Readings
from ascan.results.shown import length
from ascan.store.job import Survey
from ascan.store.readings import csv_file, load_readings
from ascan.survey.cells import Cells
from ascan.survey.change import (
    Change,
    change_between,
    least_years,
    remaining_years,
    told_years,
)

EXAMPLE = "ascan change last-year.h5 readings.h5 --years 1.0 --minimum 6 --csv change.csv"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("earlier", help="readings of the surface, taken before, on the same axes")
    parser.add_argument("later", help="readings taken now")
    add_loss_options(parser)
    add_cell_options(parser)
    parser.add_argument("-o", "--output", help="picture (.png, .svg, .pdf) of the losses to write")
    parser.add_argument("--csv", help="table of the cells (.csv) to write")
    add_json(parser)
    add_common(parser)


def run(args: argparse.Namespace) -> None:
    """Compare cell by cell."""
    outputs = [(args.output, "picture"), (args.csv, "CSV")]
    check_outputs(args, [args.earlier, args.later], outputs)
    if args.output:
        need_library("matplotlib", "cli", "--output")
    before, now = load_readings(args.earlier), load_readings(args.later)
    years = years_between(before, now, args.years)
    found = compare_surfaces(before, now, survey_of(args), years, minimum_of(args))
    if args.csv:
        with csv_file(args.csv, replace=args.replace) as file:
            file.append(found.table)
    if args.output:
        title = f"{Path(args.earlier).name} to {Path(args.later).name}, {years:.2f} years"
        figure = change_figure(found.later, found.earlier, found.change, title=title)
        save_picture(figure, args.output, dpi=DPI, replace=args.replace)
    written = [f"written: {path}" for path, _ in outputs if path]
    answer(args, found.data, [*found.lines, *left_open(now), *written, CAUTION])


@dataclass(frozen=True, eq=False, slots=True)
class Compared:
    """Two surveys of a surface: cells now and before, their change, as table, data and lines."""

    later: Cells
    earlier: Cells
    change: Change
    table: dict[str, Any]
    data: dict[str, Any]
    lines: list[str]


def compare_surfaces(
    before: Readings, now: Readings, survey: Survey, years: float, minimum_mm: float | None
) -> Compared:
    """Compare two surveys cell by cell.

    Raises
    ------
    AscanError
        No cell was read in both.
    """
    earlier, later = cells_of_surveys((before, now), survey)
    change = change_between(earlier.told, later.told, years)
    if not np.isfinite(change.loss_mm).any():
        raise fault("change", "finds no cell read in both", remedy="check that the axes agree")
    x_mm, y_mm = (grid.ravel() for grid in later.middles_mm)
    table: dict[str, Any] = {
        "x_mm": x_mm,
        "y_mm": y_mm,
        "earlier_mm": earlier.thickness_mm.ravel(),
        "later_mm": later.thickness_mm.ravel(),
        **change.columns(),
    }
    if minimum_mm is not None:
        life = remaining_years(minimum_mm, change)
        table["remaining_years"], table["u_remaining_years"] = life
        table["years_at_least"] = least_years(minimum_mm, change)
    data, lines = _summary(table, change, minimum_mm, shared_told(before, now), later.cell_mm)
    unknown, told = _not_known_now(table, later)
    told += [*same_signals(before, now), *unlike_procedures(before, now)]
    return Compared(later, earlier, change, table, data | unknown, [*lines, *told])


def _not_known_now(table: dict[str, Any], later: Cells) -> tuple[dict[str, Any], list[str]]:
    """Return what was read before and is not now: the largest loss may lie there."""
    lost = np.isfinite(table["earlier_mm"]) & ~np.isfinite(table["later_mm"])
    refused = lost & later.only_refused.ravel()
    data: dict[str, Any] = {"cells_refused_now": int(refused.sum())}
    if not lost.any():
        return data, []
    worst = int(np.argmin(np.where(lost, table["earlier_mm"], np.inf)))
    data["least_before_not_now"] = {
        name: float(table[name][worst]) for name in ("earlier_mm", "x_mm", "y_mm")
    }
    return data, [
        f"READ BEFORE AND NOT NOW: {int(lost.sum())} cells, {int(refused.sum())} of them with "
        f"refused positions; the least of them was {length(float(table['earlier_mm'][worst]))} at "
        f"x {length(float(table['x_mm'][worst]), 1)}, y {length(float(table['y_mm'][worst]), 1)}. "
        "What they have lost is not known, and may be the most of all"
    ]


def _summary(
    table: dict[str, Any], change: Change, minimum_mm: float | None, shared: str, cell_mm: float
) -> tuple[dict[str, Any], list[str]]:
    both = np.isfinite(change.loss_mm)
    worst = int(np.nanargmax(change.loss_mm))
    data: dict[str, Any] = {
        "cells_in_both": int(both.sum()),
        "cells_thinner": int(change.thinner.sum()),
        "cells_thicker": int(change.thicker.sum()),
        "years": change.years,
        "mean_loss_mm": float(np.nanmean(change.loss_mm)),
        "most": {name: values[worst] for name, values in table.items()},
    }
    only = [
        int((np.isfinite(table[one]) & ~np.isfinite(table[other])).sum())
        for one, other in (("earlier_mm", "later_mm"), ("later_mm", "earlier_mm"))
    ]
    data["cells_only_before"], data["cells_only_now"] = only
    lines = [
        f"{data['cells_in_both']} cells of {length(cell_mm, 2)} read in both, {only[0]} before "
        f"only, {only[1]} now only; "
        f"{change.years:.2f} years apart; {shared}",
        f"thinner by more than the 95 % interval: {data['cells_thinner']}; thicker so: "
        f"{data['cells_thicker']}; noise alone makes some {change.by_chance:.0f} of each"
        + (". Walls do not grow: doubt one of the two" if change.grown else ""),
        f"mean loss {length(data['mean_loss_mm'], sign=True)}; most "
        f"{length(float(change.loss_mm[worst]), sign=True)}, u "
        f"{length(float(change.u_loss_mm[worst]))} (as the most of so many, within ± "
        f"{length(float(change.together[worst] * change.u_loss_mm[worst]))} at 95 %), at x "
        f"{length(float(table['x_mm'][worst]), 1)}, y {length(float(table['y_mm'][worst]), 1)}: "
        f"{length(float(change.rate_mm_per_year[worst]), sign=True)} a year, u "
        f"{length(float(change.u_rate_mm_per_year[worst]))}",
    ]
    if minimum_mm is not None:
        life, at_least = table["remaining_years"], table["years_at_least"]
        under = table["later_mm"] < minimum_mm
        data["cells_below_minimum"] = int(under.sum())
        if under.any():
            lines.append(f"BELOW THE MINIMUM of {length(minimum_mm)} now: {int(under.sum())} cells")
        soonest = int(np.nanargmin(np.where(under, np.inf, np.nan_to_num(at_least, nan=np.inf))))
        data |= {
            "soonest_years_at_least": float(at_least[soonest]),
            "soonest_years": float(life[soonest]),
            "u_soonest_years": float(table["u_remaining_years"][soonest]),
        }
        x_mm, y_mm = (float(table[name][soonest]) for name in ("x_mm", "y_mm"))
        data |= {"soonest_x_mm": x_mm, "soonest_y_mm": y_mm}
        lost = bool(change.thinner[soonest])
        told = told_years(float(life[soonest]), float(at_least[soonest]), lost)
        lines.append(
            f"soonest at the minimum of {length(minimum_mm)}, of those above it: {told}, at x "
            f"{length(x_mm, 1)}, y {length(y_mm, 1)}, if the rate went on; it foresees nothing, "
            "the governing code and the engineer decide"
        )
    return data, lines
