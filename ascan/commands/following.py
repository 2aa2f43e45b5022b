"""What usually follows a command, with the files at hand: said at its end."""

from __future__ import annotations

import argparse
import shlex
import string
from collections.abc import Iterator

from ascan.store import schema
from ascan.store.readings import read_blocks

STEPS = "--step MM=ROWS"
MEASURE = "measure COMPONENT --procedure {procedure} --calibration {output} -o readings.h5"
# Of each command. `{name}` stands for the value of an option or argument; a line with one that was
# not given is left out. Of several commands the first two that hold are said.
FOLLOWING: dict[str, tuple[str, ...]] = {
    "guide": ("demo",),
    "demo": ("plot {folder}/component.h5 -o look.png", "map {folder}/readings.h5 -o surface.png"),
    "job": ("import FILE -o {folder}/scans/block.h5",),
    "import": ("plot {output} -o look.png", f"draft {{output}} {STEPS} -o procedure.toml"),
    "draft": ("calibrate {scan} --procedure {output} {steps} -o calibration.h5",),
    "plan": (f"calibrate BLOCK --procedure {{procedure}} {STEPS} -o calibration.h5",),
    "calibrate": (MEASURE, "calibration-report {output} -o calibration.html"),
    "calibration-report": ("info {calibration}",),
    "check": ("apply-checks READINGS --series {series} -o settled.h5",),
    "measure": (
        "map {mapped} -o surface.png",
        "points {named}",
        "budget {output} --calibration {calibrations}",
        "plot {scan} --procedure {procedure} --calibration {calibrations} -o waveform.png",
    ),
    "apply-checks": ("job-report {output} --calibration CALIBRATION -o report.html",),
    "points": ("budget {readings} --calibration CALIBRATION",),
    "map": ("change EARLIER {readings} -o losses.png", "export {readings} -o readings.csv"),
    "change": ("points {later} --earlier {earlier}",),
    "sections": ("map {readings} -o surface.png",),
    "trend": ("map {mapped} -o surface.png", "points {named}"),
    "extremes": ("map {readings} -o surface.png",),
    "diff": ("info {later}",),
    "score": ("map {readings} -o surface.png",),
    "budget": ("job-report {readings} --calibration {calibration} -o report.html",),
    "job-report": ("info {readings}",),
    "linearity": ("calibrate {scan} --procedure {procedure} --step MM=ROWS -o calibration.h5",),
    "study": ("plan --procedure PROCEDURE --wall-mm 10 --steps-mm 5,10,20 --block-u-mm 0.01",),
    "export": ("info {file}",),
    "synth": ("plot {output} -o look.png",),
    "compare": ("draft {scenario} --arrangement ARRANGEMENT -o procedure.toml",),
    "smallest-pit": (
        "measure COMPONENT --procedure {procedure} --calibration CALIBRATION -o readings.h5",
    ),
    "verify": ("demo",),
    "warm-up": ("demo",),
    "plot": (
        "measure {scan} --procedure {procedure} --calibration {calibration} -o readings.h5",
        f"draft {{unread}} {STEPS} -o procedure.toml",
    ),
    "info": (
        "plot {is_scan} -o look.png",
        f"draft {{is_scan}} {STEPS} -o procedure.toml",
        "measure COMPONENT --procedure PROCEDURE --calibration {is_calibration} -o readings.h5",
        "map {mapped} -o surface.png",
        "points {named}",
        "export {is_readings} -o readings.csv",
    ),
}
MOST = 2


def following(args: argparse.Namespace) -> list[str]:
    """Return the commands that usually follow the one that ran."""
    known = {name: value for name, value in vars(args).items() if isinstance(value, str)}
    for name, value in vars(args).items():
        # An option that may be repeated, given once.
        if isinstance(value, list) and len(value) == 1 and isinstance(value[0], str):
            known[name] = value[0]
    known |= dict(_looked_up(args))
    found = []
    for line in FOLLOWING.get(args.command, ()):
        names = [name for _, name, _, _ in string.Formatter().parse(line) if name]
        if all(known.get(name) for name in names):
            quoted = {
                name: known[name] if name == "steps" else shlex.quote(known[name]) for name in names
            }
            found.append(f"ascan {line.format(**quoted)}")
    return found[:MOST]


def _looked_up(args: argparse.Namespace) -> Iterator[tuple[str, str]]:
    """Yield what a line may hang on besides the options: what files hold, and the steps."""
    if args.command == "draft":
        column = f"--known-column {args.known_column}"
        yield "steps", " ".join(f"--step {text}" for text in args.step or []) or column
    elif args.command == "measure":
        yield from _by_columns(args.output)
    elif args.command == "trend":
        yield from _by_columns(args.readings[-1])
    elif args.command == "plot" and not args.procedure:
        if schema.kind_of(args.scan) not in (schema.READINGS, schema.CALIBRATION):
            yield "unread", args.scan
    elif args.command == "info":
        kind = schema.kind_of(args.file)
        kinds = {schema.SCAN: "scan", "npz": "scan", schema.CALIBRATION: "calibration"}
        kinds[schema.READINGS] = "readings"
        if kind in kinds:
            yield f"is_{kinds[kind]}", args.file
        if kind == schema.READINGS:
            yield from _by_columns(args.file)


def _by_columns(path: str) -> Iterator[tuple[str, str]]:
    """Yield readings that have places on a surface, or names of points."""
    columns = set(next(iter(read_blocks(path, 1))).columns)
    if {"x_mm", "y_mm"} <= columns or {"x_mm", "angle_deg"} <= columns:
        yield "mapped", path
    if "point" in columns:
        yield "named", path
