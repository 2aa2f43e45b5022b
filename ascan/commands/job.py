"""``ascan job``: a folder for a job, in which the commands find its files."""

from __future__ import annotations

import argparse
import shutil
from pathlib import Path

from ascan.base.errors import fault
from ascan.commands.shared import add_quiet, say
from ascan.procedure.written import load_procedure
from ascan.report.cautions import CAUTION
from ascan.store.job import FILE, PAGES, PROCEDURE, READINGS, SCANS, load_job

EXAMPLE = "ascan job header-7 --procedure wall.toml"
TEMPLATE = """\
title = "{title}"

# What an auditor asks; nothing here changes a value. References, no names of people.
[about]
component = ""
location = ""
order = ""
procedure_number = ""
procedure_revision = ""
governing_code = ""
operator = ""
personnel_level = ""
instrument = ""
probe_serial = ""
couplant = ""
surface = ""
remarks = ""

# How the surface is to be scanned and judged; take the # off what applies.
[survey]
# x_from_mm = 0.0            # the ground to be covered: all four, or none
# x_to_mm = 100.0
# y_from_mm = 0.0
# y_to_mm = 50.0
# index_mm = 2.0             # planned distance between positions
# beam_mm = 4.0              # diameter of the beam, by which coverage is reckoned
# cell_mm = 2.0              # side of a map's cell; the positions' pitch by default
# limit_mm = 6.0             # thicknesses below which area is reckoned
# second_limit_mm = 5.0
# outside_diameter_mm = 168.3  # of a pipe, to be unrolled
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("folder", help="folder to begin; it may exist, but hold no job")
    parser.add_argument("--procedure", help="procedure (TOML) to copy there")
    add_quiet(parser)


def run(args: argparse.Namespace) -> None:
    """Make the folder, and say how to go on."""
    folder = Path(args.folder)
    if (folder / FILE).exists():
        raise fault(str(folder), "holds a job already", remedy="name another folder")
    if args.procedure:
        load_procedure(args.procedure)
        if (folder / PROCEDURE).exists():
            raise fault(str(folder / PROCEDURE), "is there already", remedy="leave --procedure out")
    for name in (SCANS, READINGS, PAGES):
        (folder / name).mkdir(parents=True, exist_ok=True)
    if args.procedure:
        shutil.copyfile(args.procedure, folder / PROCEDURE)
    title = folder.resolve().name.replace("\\", "").replace('"', "")
    (folder / FILE).write_text(TEMPLATE.format(title=title), encoding="utf-8")
    load_job(folder)
    say(
        args,
        [
            f"job {folder}/: fill in {FILE}" + ("" if args.procedure else f", write {PROCEDURE}"),
            f"put waveforms in {SCANS}/; in that folder the commands find what is not named:",
            "  ascan calibrate block.npz --step 5=0-4 --step 10=5-9 --block-u-mm 0.01",
            "  ascan check step.npz --step 10=0-2 --step-u-mm 0.01 --at 2026-05-04T08:00",
            "  ascan measure component.npz",
            "  ascan job-report component.h5",
            CAUTION,
        ],
    )
