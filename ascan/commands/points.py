"""``ascan points``: named points with several readings each, the least of each, what has grown."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np

from ascan.base.errors import fault
from ascan.base.flags import with_care
from ascan.calibration.conditions import COMPONENT_SPOT
from ascan.commands.job_files import add_job_file
from ascan.commands.shared import (
    add_common,
    add_json,
    answer,
    check_outputs,
    need_library,
    taken_lines,
)
from ascan.procedure.written import Procedure, load_procedure, tables_of
from ascan.report.cautions import CAUTION
from ascan.report.picture import save_picture
from ascan.report.points import DPI, points_figure
from ascan.results.readings import Readings
from ascan.results.shown import length, size_of
from ascan.results.sources import refuse_other_components
from ascan.store.job import PROCEDURE
from ascan.store.readings import csv_file, load_readings
from ascan.survey.change import (
    Change,
    change_between,
    least_years,
    remaining_years,
    told_years,
)
from ascan.survey.sampling import sampling_told
from ascan.survey.spots import NAMELESS, Spot, spots_of, told_of, unread

LEAST_APART_S, SECONDS_A_YEAR = 86400.0, 365.25 * 86400.0
EXAMPLE = "ascan points readings.h5 --earlier last-year.h5 --years 1.0 --minimum 6"


# Tables of a procedure that no thickness depends on.
NOT_IN_READINGS = (
    "title",
    "component",
    "range",
    "checks",
    "uncertainty",
    "decision",
    "second_interval",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("readings", help="readings file with a column that names the points")
    parser.add_argument("--point", default="point", help="that column (default: point)")
    parser.add_argument("--earlier", help="readings of the same points, taken before")
    add_loss_options(parser)
    parser.add_argument("-o", "--output", help="picture (.png, .svg, .pdf) to write")
    parser.add_argument("--csv", help="table (.csv) to write")
    add_json(parser)
    add_common(parser)


def add_loss_options(parser: argparse.ArgumentParser) -> None:
    """Add what two surveys are compared by."""
    parser.add_argument("--years", type=float, help="between the two; else by their column time_s")
    add_minimum(parser)


def add_minimum(parser: argparse.ArgumentParser) -> None:
    """Add the least wall that may remain, and the procedure that may state it."""
    parser.add_argument("--minimum", metavar="LENGTH", help="least wall, for the remaining life")
    add_job_file(
        parser,
        "--procedure",
        job=PROCEDURE,
        needed=False,
        help="procedure (TOML) whose [decision] gives the minimum",
    )


def run(args: argparse.Namespace) -> None:
    """Print a line for each point; keep what has changed with it."""
    outputs = [(args.output, "picture"), (args.csv, "CSV")]
    check_outputs(args, [args.readings, args.earlier], outputs)
    if args.output:
        need_library("matplotlib", "cli", "--output")
    readings = load_readings(args.readings)
    before = load_readings(args.earlier) if args.earlier else None
    years = years_between(before, readings, args.years)
    minimum_mm = minimum_of(args)
    table, lines = told_spots(readings, before, years, minimum_mm, args.point)
    if args.csv:
        with csv_file(args.csv, replace=args.replace) as file:
            file.append(table)
    if args.output:
        figure = points_figure(table, title=Path(args.readings).name, minimum_mm=minimum_mm)
        save_picture(figure, args.output, dpi=DPI, replace=args.replace)
    written = [f"written: {path}" for path, _ in outputs if path]
    answer(args, _records(table), [*lines, *written, CAUTION])


def told_spots(
    readings: Readings,
    before: Readings | None,
    years: float,
    minimum_mm: float | None,
    column: str = "point",
) -> tuple[dict[str, Any], list[str]]:
    """Return the points as a table, and as lines: what each has lost, why readings were rejected.

    ``before`` are readings of the same points, ``years`` earlier; or None.
    """
    if before is not None:
        refuse_other_components([before.provenance, readings.provenance])
    spots, more = spots_of(readings, column), []
    found = {} if before is None else {spot.name: spot for spot in spots_of(before, column)}
    # Points without a name are not one another's.
    found.pop(NAMELESS, None)
    known = {spot.name for spot in spots}
    spots += [unread(name) for name in found if name not in known]
    table, lines = _table(spots), [_told(spot) for spot in spots]
    if before is not None:
        partners = [found.get(spot.name) for spot in spots]
        change = change_between(told_of(partners), told_of(spots), years)
        table |= _lost(partners, change, minimum_mm)
        lines = [f"{line}{_grown(table, k)}" for k, line in enumerate(lines)]
        more = [
            *left_open(readings),
            f"{years:.2f} years between them; {shared_told(before, readings)}",
            *same_signals(before, readings),
            *unlike_procedures(before, readings),
        ]
    under = [] if minimum_mm is None else [s.name for s in spots if s.least_mm < minimum_mm]
    if under and minimum_mm is not None:
        more.append(f"BELOW THE MINIMUM of {length(minimum_mm)} now: {', '.join(under)}")
    if minimum_mm is not None:
        read = sum(bool(np.isfinite(spot.least_mm)) for spot in spots)
        more.append(sampling_told(read, len(spots) - read, len(under), minimum_mm))
    return table, [*_head(before is not None), *lines, *more, *_rejections(spots)]


def _rejections(spots: list[Spot]) -> list[str]:
    return [f"  rejected, {s.name}: row {r}: {why}" for s in spots for r, why in s.rejected.items()]


def shared_told(before: Readings, now: Readings) -> str:
    """Return in words what both surveys share an error of, and what each has alone."""
    of = [{source for source in one.shared if source.of} for one in (before, now)]
    both = sorted(source.name.replace("_", " ") for source in of[0] & of[1])
    alone = sorted({source.name.replace("_", " ") for source in of[0] ^ of[1]})
    told = [f"both share {', '.join(both)}, which cancels"] if both else []
    told += [f"of one survey each: {', '.join(alone)}, which adds"] if alone else []
    return "; ".join(told) or "they share no source of error: all adds"


def same_signals(before: Readings, now: Readings) -> list[str]:
    """Return a line where both sets were measured from the same waveforms."""
    digests = [one.provenance.get("input", {}).get("waveforms_sha256") for one in (before, now)]
    if digests[0] is None or digests[0] != digests[1]:
        return []
    return ["BOTH WERE MEASURED FROM THE SAME WAVEFORMS: no loss can be seen in them"]


def unlike_procedures(before: Readings, now: Readings) -> list[str]:
    """Return a line where the two procedures differ in what makes a reading."""
    tables = [tables_of(str(one.provenance.get("procedure", ""))) for one in (before, now)]
    keys = sorted((set(tables[0]) | set(tables[1])) - set(NOT_IN_READINGS))
    differ = [key for key in keys if tables[0].get(key) != tables[1].get(key)]
    if not differ:
        return []
    return [
        f"THE PROCEDURES DIFFER in {', '.join(differ)}: what only one of them allows for looks "
        "like a loss, or hides one"
    ]


def minimum_of(args: argparse.Namespace) -> float | None:
    """Return the least wall in mm: by option, else the procedure's."""
    if args.minimum:
        return size_of(args.minimum, "--minimum")
    procedure: Procedure | None = load_procedure(args.procedure) if args.procedure else None
    decision = procedure.decision if procedure else None
    return decision.minimum_mm if decision else None


def years_between(earlier: Readings | None, later: Readings, stated: float | None) -> float:
    """Return the years between two sets of readings: as stated, else by their column time_s.

    NaN where there are no earlier ones.
    """
    if earlier is None:
        if stated is not None:
            raise fault("--years", "needs earlier readings", remedy="name them: --earlier")
        return np.nan
    if stated is not None:
        if not 0.0 < stated < np.inf:
            raise fault("--years", f"is {stated:g}", allowed="above 0")
        return stated
    if not {"time_s"} <= set(earlier.columns) & set(later.columns):
        raise fault(
            "--years", "is not given, and the readings hold no time_s", remedy="give --years"
        )
    times = [float(np.median(one.columns["time_s"])) for one in (earlier, later)]
    if not times[1] - times[0] > LEAST_APART_S:
        raise fault(
            "time_s",
            f"puts the two {times[1] - times[0]:g} s apart",
            allowed="more than a day, in seconds since 1970-01-01 UTC",
            remedy="give --years",
        )
    return (times[1] - times[0]) / SECONDS_A_YEAR


def left_open(readings: Readings) -> list[str]:
    """Return what readings allow for that their procedure does not state."""
    procedure = Procedure.from_text(str(readings.provenance.get("procedure", "")))
    conditions = readings.provenance.get("calibration", {}).get("conditions", {})
    return taken_lines(procedure, matched=COMPONENT_SPOT in conditions)


def _table(spots: list[Spot]) -> dict[str, Any]:
    return {
        "point": np.array([spot.name for spot in spots]),
        **{
            name: np.array([getattr(spot, name) for spot in spots])
            for name in (
                "readings", "usable", "careful", "least_mm", "u_mm", "row", "least_flags",
                "mean_mm", "spread_mm", "low_by_mm", "scatters",
            )
        },
        "rejected": np.array(["; ".join(sorted(set(s.rejected.values()))) for s in spots]),
    }  # fmt: skip


def _lost(partners: list[Spot | None], change: Change, minimum_mm: float | None) -> dict[str, Any]:
    table = {
        "earlier_mm": np.array([np.nan if p is None else p.least_mm for p in partners]),
        **change.columns(),
    }
    if minimum_mm is not None:
        life = remaining_years(minimum_mm, change)
        table["remaining_years"], table["u_remaining_years"] = life
        table["years_at_least"] = least_years(minimum_mm, change)
    return table


def _told(spot: Spot) -> str:
    told = f"{spot.name:<12} {spot.usable:>3} of {spot.readings:<4}"
    if not spot.usable:
        return told + ("no reading can be used" if spot.readings else "READ BEFORE AND NOT NOW")
    told += f"{length(spot.least_mm):>12}  u {length(spot.u_mm)}  row {spot.row}"
    told += with_care(spot.least_flags)
    told += f"; {spot.careful} with care" if spot.careful else ""
    return told + ("; scatters more than noise (chance: 1 of 100)" if spot.scatters else "")


def _grown(table: dict[str, Any], k: int) -> str:
    loss, u = float(table["loss_mm"][k]), float(table["u_loss_mm"][k])
    if np.isnan(table["least_mm"][k]):
        before_mm = float(table["earlier_mm"][k])
        if np.isnan(before_mm):
            return ""
        return f"; read {length(before_mm)} before: what it has lost since is NOT KNOWN"
    if np.isnan(loss):
        return "; no earlier reading"
    rate = length(float(table["rate_mm_per_year"][k]), 3, sign=True)
    told = f"; lost {length(loss, sign=True)}, u {length(u, 4)}, {rate} a year"
    if table["thinner"][k]:
        told += " LOSS"
    if table["thicker"][k]:
        told += " THICKER than before: doubt one of the two"
    if "remaining_years" not in table:
        return told
    years, at_least = (float(table[name][k]) for name in ("remaining_years", "years_at_least"))
    if years == 0.0:
        return told + "; not above the minimum now"
    return f"{told}; to the minimum: {told_years(years, at_least, bool(table['thinner'][k]))}"


def _head(compared: bool) -> list[str]:
    legend = (
        "a loss of more than twice its standard uncertainty, in which putting the probe back is "
        "not, is marked LOSS; a rate between two surveys foresees nothing, the governing code and "
        "the engineer decide"
    )
    return [*([legend] if compared else []), "point        usable      least reading"]


def _records(table: dict[str, Any]) -> list[dict[str, Any]]:
    names = list(table)
    return [dict(zip(names, values, strict=True)) for values in zip(*table.values(), strict=True)]
