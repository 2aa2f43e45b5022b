"""``ascan export``: readings or a scan to CSV, a ``.npz`` scan to the project's HDF5 layout."""

from __future__ import annotations

import argparse
from pathlib import Path

from ascan.base.errors import fault
from ascan.commands.job_files import add_job
from ascan.commands.shared import add_common, check_outputs, say
from ascan.store import schema
from ascan.store.readings import csv_file, read_blocks
from ascan.store.scan_text import write_scan_text
from ascan.store.scans import open_scan, save_scan

BLOCK = 16384
ENDINGS = (".csv", ".h5", ".hdf5")
EXAMPLE = "ascan export readings.h5 -o readings.csv"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("file", help="readings (HDF5) or a scan")
    parser.add_argument("-o", "--output", required=True, help=".csv, or .h5 for a scan")
    add_job(parser)
    add_common(parser)


def run(args: argparse.Namespace) -> None:
    """Write the other form."""
    ending = Path(args.output).suffix.lower()
    kind = "CSV" if ending == ".csv" else schema.SCAN
    check_outputs(args, [args.file], [(args.output, kind)] if ending in ENDINGS else [])
    if ending == ".csv" and schema.kind_of(args.file) in (schema.SCAN, "npz"):
        scan = open_scan(args.file)
        write_scan_text(scan, args.output, replace=args.replace)
        say(args, [f"{len(scan)} waveforms written to {args.output}"])
    elif ending == ".csv":
        count = 0
        with csv_file(args.output, replace=args.replace) as table:
            for readings in read_blocks(args.file, BLOCK):
                table.append(readings.columns)
                count += len(readings)
        say(args, [f"{count} readings written to {args.output}"])
    elif ending in ENDINGS:
        scan = open_scan(args.file)
        save_scan(scan, args.output, replace=args.replace)
        say(args, [f"{len(scan)} waveforms written to {args.output}"])
    else:
        raise fault("--output", f"ends in '{ending}'", allowed=".csv, or .h5 for a scan")
