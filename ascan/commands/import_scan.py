"""``ascan import``: waveforms of another program's file to the project's HDF5 scan."""

from __future__ import annotations

import argparse
import dataclasses

import numpy as np

from ascan.base.errors import fault
from ascan.commands.shared import (
    add_common,
    check_outputs,
    need_library,
    progress_bar,
    say,
)
from ascan.report.look import look_figure
from ascan.report.picture import save_picture
from ascan.store import schema
from ascan.store.foreign import read_foreign
from ascan.store.foreign_layout import USES, ForeignLayout
from ascan.store.scans import save_scan
from ascan.waveform.flat_tops import flat_tops
from ascan.waveform.pose import placed
from ascan.waveform.record_length import length_in_sight
from ascan.waveform.recording import FORMS, LEVELS, STORED_TYPES
from ascan.waveform.scan import Scan

EXAMPLE = (
    "ascan import raw.bin --kind binary --dtype int16 --samples 1000 --sample-rate-mhz 100 "
    "-o scan.h5"
)
# Records that reach less of full scale are of a receiver with another one.
LITTLE = 0.03
ORDERS = ("rows_first", "samples_first")
# Delimiters that a shell makes hard to write.
NAMED = {"tab": "\t", "blank": " "}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("file", help=".npy, .csv, .mat, HDF5 or raw bytes")
    parser.add_argument("-o", "--output", help="scan (HDF5) to write")
    parser.add_argument(
        "--dry-run", action="store_true", help="write no scan, and say what would be read"
    )
    parser.add_argument("--picture", help="picture to write, of what is read")
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
    layout.add_argument(
        "--delimiter", default="", help="between cells: a text, tab or blank; else the lines tell"
    )
    layout.add_argument("--skip-lines", type=int, default=0, help="lines at the top (text)")
    layout.add_argument(
        "--column",
        action="append",
        metavar="NAME=MEANING",
        help="what a column of a text file is, by its name or number: 1=time_us, Pos=x_mm",
    )
    layout.add_argument(
        "--drop", action="append", metavar="NAME", help="leave a column of a text file out"
    )
    meaning = parser.add_argument_group("what the samples mean")
    meaning.add_argument(
        "--sidecar", metavar="FILE", help="TOML that states what follows, by the same names"
    )
    meaning.add_argument(
        "--sample-rate-mhz", type=float, help="samples per µs, where no time column tells it"
    )
    meaning.add_argument("--start-us", type=float, help="time of the first sample")
    meaning.add_argument("--gain-db", type=float, help="receiver gain of all records")
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
    place = parser.add_argument_group("where the records were taken")
    place.add_argument(
        "--offset",
        action="append",
        metavar="CHANNEL=ALONG,ACROSS",
        help="place of a channel on the probe, mm: each record gets its own (columns x_mm, y_mm or "
        "angle_deg, channel, heading_deg)",
    )
    place.add_argument("--diameter-mm", type=float, help="of the pipe, where y is an angle")
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
        columns=dict(_pair(text, "--column", "1=time_us") for text in args.column or []),
        drop=tuple(args.drop or ()),
    )


def _pair(text: str, option: str, example: str) -> tuple[str, str]:
    """Return the two sides of an equals sign; a name may hold one itself."""
    name, equals, meaning = text.rpartition("=")
    if not (name and equals and meaning):
        raise fault(option, f"is '{text}'", allowed=f"NAME=MEANING, such as {example}")
    return name, meaning


def _offsets(args: argparse.Namespace) -> dict[str, tuple[float, float]]:
    found = {}
    for text in args.offset or []:
        channel, place = _pair(text, "--offset", "2=-4,0")
        try:
            along, across = (float(part) for part in place.split(","))
        except ValueError:
            raise fault("--offset", f"is '{text}'", allowed="CHANNEL=ALONG,ACROSS in mm") from None
        found[channel] = (along, across)
    return found


def run(args: argparse.Namespace) -> None:
    """Write the scan, a block at a time, or say what would be written."""
    if not args.output and not args.dry_run:
        raise fault("import", "needs -o", remedy="name the scan to write, or say --dry-run")
    inputs, outputs = [args.file, args.sidecar], [(args.output, schema.SCAN)]
    check_outputs(args, inputs, [*outputs, (args.picture, "picture")])
    with placed_scan(args) as scan:
        if not args.dry_run:
            save_scan(scan, args.output, replace=args.replace, progress=progress_bar(args))
        if args.picture:
            need_library("matplotlib", "cli", "--picture")
            save_picture(look_figure(scan, 0), args.picture, dpi=110, replace=args.replace)
        where = "would be read" if args.dry_run else f"written to {args.output}"
        say(args, [f"{len(scan)} waveforms of {scan.shape[1]} samples {where}", *lines_of(scan)])


def placed_scan(args: argparse.Namespace) -> Scan:
    """Return the foreign file's scan, each record in its own place where offsets are given."""
    meaning = {name: getattr(args, name) for name in (*LEVELS, *FORMS)}
    scan = read_foreign(
        args.file,
        layout_of(args),
        sample_rate_mhz=args.sample_rate_mhz,
        start_time_us=args.start_us,
        sidecar=args.sidecar,
        **meaning,
    )
    columns = dict(scan.columns)
    if args.gain_db is not None:
        columns["gain_db"] = np.full(len(scan), args.gain_db)
    if args.offset:
        columns |= placed(columns, _offsets(args), args.diameter_mm)
    return dataclasses.replace(scan, columns=columns)


def lines_of(scan: Scan) -> list[str]:
    """Return in words what was read: clock, levels, columns, and the first records."""
    recording, start_us = scan.recording, scan.start_time_us
    some = scan.rows.read_block(0, min(len(scan), 50)).astype(np.float64)
    reach = float(np.nanmax(np.abs(some - recording.zero_code), initial=0.0))
    begins = f"{start_us.min():g}"
    if np.ptp(start_us) > 0.0:
        begins += f" to {start_us.max():g}"
    last_us = (scan.shape[1] - 1) / recording.sample_rate_mhz
    told = [
        f"{recording.sample_rate_mhz:g} samples in a µs; each {last_us:g} µs long, from "
        f"{begins} µs after the trigger",
        f"full scale taken as {recording.full_scale:g}; the first {len(some)} reach {reach:g}",
    ]
    share = reach / recording.full_scale
    if reach and not LITTLE < share <= 1.0 + 1e-9:
        likely = 2.0 ** np.ceil(np.log2(reach))
        told.append(
            f"THAT IS {share:.3g} OF FULL SCALE: thresholds and clipping are shares of it; state "
            f"it (--full-scale {likely:g}?), and where it clips (--clip-low, --clip-high)"
        )
    for name, values in scan.columns.items():
        shown = ", ".join(f"{value}" for value in values[:3].tolist())
        told.append(f"column {name}: {shown}{', ...' if values.size > 3 else ''}")
    length = length_in_sight(scan)
    if length is not None:
        told.append(
            f"RECORDS SEEM TO HAVE {length} SAMPLES, AND {scan.shape[1]} WERE TAKEN: shifted by "
            f"{length}, echoes fall on echoes; look (--dry-run --picture), and state the right "
            "--samples"
        )
    return told + flat_tops(scan).lines()
