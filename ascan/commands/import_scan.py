"""``ascan import``: waveforms of another program's file to the project's HDF5 scan."""

from __future__ import annotations

import argparse

import numpy as np

from ascan.commands.shared import add_common, check_outputs, progress_bar, say
from ascan.store import schema
from ascan.store.foreign import read_foreign
from ascan.store.foreign_layout import USES, ForeignLayout
from ascan.store.scans import save_scan
from ascan.waveform.flat_tops import flat_tops
from ascan.waveform.recording import FORMS, LEVELS, STORED_TYPES

EXAMPLE = (
    "ascan import raw.bin --kind binary --dtype int16 --samples 1000 --sample-rate-mhz 100 "
    "-o scan.h5"
)
ORDERS = ("rows_first", "samples_first")
# Delimiters that a shell makes hard to write.
NAMED = {"tab": "\t", "blank": " "}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("file", help=".npy, .csv, .mat, HDF5 or raw bytes")
    parser.add_argument("-o", "--output", required=True, help="scan (HDF5) to write")
    layout = parser.add_argument_group("how the waveforms lie in the file")
    layout.add_argument("--kind", choices=USES, default="", help="if the file does not show it")
    layout.add_argument("--dataset", default="", help="path (HDF5) or variable (.mat)")
    layout.add_argument("--order", choices=ORDERS, type=_order, help="which axis comes first")
    layout.add_argument("--dtype", choices=STORED_TYPES, default="", help="type of a sample")
    layout.add_argument("--samples", type=int, default=0, help="samples in a row (binary)")
    layout.add_argument("--skip-bytes", type=int, default=0, help="bytes at the start (binary)")
    layout.add_argument(
        "--row-header-bytes", type=int, default=0, help="bytes before every row (binary)"
    )
    layout.add_argument("--big-endian", action="store_true", help="high byte first (binary)")
    layout.add_argument("--delimiter", default=",", help="between cells: a text, tab or blank")
    layout.add_argument("--skip-lines", type=int, default=0, help="lines at the top (text)")
    meaning = parser.add_argument_group("what the samples mean")
    meaning.add_argument("--sample-rate-mhz", type=float, required=True, help="samples per µs")
    meaning.add_argument("--start-us", type=float, default=0.0, help="time of the first sample")
    meaning.add_argument("--full-scale", type=float, help="codes from zero to the top")
    meaning.add_argument("--zero-code", type=float, help="code that stands for zero")
    meaning.add_argument("--clip-low", type=float, help="code at and below which it clips")
    meaning.add_argument("--clip-high", type=float, help="code at and above which it clips")
    meaning.add_argument("--rectified", action="store_true", help="sizes only, no sign")
    meaning.add_argument(
        "--peak-held", action="store_true", help="each value is the largest of several samples"
    )
    meaning.add_argument(
        "--gated-only", action="store_true", help="nothing outside the instrument's gate"
    )
    add_common(parser)


def _order(text: str) -> str:
    """Return an order as procedures and Python write it; the command line takes a dash, too."""
    return text.replace("-", "_")


def layout_of(args: argparse.Namespace) -> ForeignLayout:
    """Return the layout that the options state."""
    return ForeignLayout(
        kind=args.kind,
        dataset=args.dataset,
        order=args.order or "",
        dtype=args.dtype,
        samples=args.samples,
        skip_bytes=args.skip_bytes,
        row_header_bytes=args.row_header_bytes,
        byte_order="big" if args.big_endian else "",
        delimiter=NAMED.get(args.delimiter, args.delimiter),
        skip_lines=args.skip_lines,
    )


def run(args: argparse.Namespace) -> None:
    """Write the scan, a block at a time."""
    check_outputs(args, [args.file], [(args.output, schema.SCAN)])
    meaning = {name: getattr(args, name) for name in (*LEVELS, *FORMS)}
    with read_foreign(
        args.file,
        layout_of(args),
        sample_rate_mhz=args.sample_rate_mhz,
        start_time_us=args.start_us,
        **meaning,
    ) as scan:
        first = scan.rows.read_block(0, 1).astype(np.float64)
        save_scan(scan, args.output, replace=args.replace, progress=progress_bar(args))
        last_us = (scan.shape[1] - 1) / args.sample_rate_mhz
        say(
            args,
            [
                f"{len(scan)} waveforms of {scan.shape[1]} samples written to {args.output}",
                f"each {last_us:g} µs long; full scale taken as {scan.recording.full_scale:g}, the "
                f"first reaches {float(np.abs(first - scan.recording.zero_code).max()):g}",
                *flat_tops(scan).lines(),
            ],
        )
