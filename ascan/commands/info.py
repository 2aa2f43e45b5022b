"""``ascan info``: what a file holds."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np

from ascan.base.errors import fault
from ascan.commands.job_files import add_job
from ascan.commands.shared import add_json, add_quiet, answer
from ascan.kernels.arrays import AnyArray
from ascan.store import schema
from ascan.store.calibrations import load_calibration
from ascan.store.readings import load_readings
from ascan.store.scans import open_scan
from ascan.waveform.recording import Recording
from ascan.waveform.scan import Scan

EXAMPLE = "ascan info component.npz"
FIRST_ROWS = 1000


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("file", help="a scan (.npz or HDF5), a calibration or readings")
    add_job(parser)
    add_json(parser)
    add_quiet(parser)


def run(args: argparse.Namespace) -> None:
    """Print what the file holds."""
    if not Path(args.file).is_file():
        raise fault(args.file, "is no file")
    kind = schema.kind_of(args.file)
    data: dict[str, Any]
    if kind == schema.CALIBRATION:
        calibration = load_calibration(args.file)
        lines = [f"calibration {args.file}", *calibration.lines()]
        lines += [f"{key}: {value}" for key, value in calibration.conditions.items()]
        data = {
            "kind": "calibration",
            "mode": calibration.mode,
            "digest": calibration.digest,
            "velocity_mm_per_us": calibration.velocity_mm_per_us,
            "u_velocity_mm_per_us": calibration.u_velocity_mm_per_us,
            "zero_us": calibration.zero_us,
            "u_zero_us": calibration.u_zero_us,
            "in_doubt": calibration.is_in_doubt,
            "warnings": calibration.warnings,
            "conditions": calibration.conditions,
        }
    elif kind == schema.READINGS:
        readings = load_readings(args.file)
        made = readings.provenance.get("made", "?")
        lines = [f"readings {args.file}, made {made}", *readings.summary().lines()]
        lines.append("columns: " + ", ".join(readings.columns))
        data = {"kind": "readings", "made": made, "summary": readings.summary()}
        data |= {"columns": list(readings.columns), "provenance": readings.provenance}
    else:
        scan = open_scan(args.file)
        lines = _about_scan(scan, args.file)
        data = {"kind": "scan", "waveforms": scan.shape[0], "samples": scan.shape[1]}
        data |= {"recording": scan.recording, "columns": list(scan.columns)}
    answer(args, data, lines)


def _about_clipping(recording: Recording) -> str:
    if np.isinf(recording.clip_high) and np.isinf(recording.clip_low):
        return "clipping not judged (no full_scale stated)"
    return f"clipping at {recording.clip_low:g} and {recording.clip_high:g}"


def _about_codes(scan: Scan) -> str:
    rows = min(len(scan), FIRST_ROWS)
    block = scan.rows.read_block(0, rows)
    return f"codes of the first {rows} waveforms: {_span(block)}"


def _span(values: AnyArray) -> str:
    """Return from where to where values run, or the one that they all are."""
    low, high = np.nanmin(values), np.nanmax(values)
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def _about_scan(scan: Scan, path: str) -> list[str]:
    rows, samples = scan.shape
    recording, start = scan.recording, scan.start_time_us
    length_us = samples / recording.sample_rate_mhz
    form = "rectified" if recording.rectified else "RF"
    form = "peak-held" if recording.peak_held else form
    form += ", of a gate only" if recording.gated_only else ""
    lines = [
        f"scan {path}: {rows} waveforms of {samples} samples, {recording.dtype}, {form}",
        f"sample rate {recording.sample_rate_mhz:g} MHz, record {length_us:g} µs long, starting "
        f"{_span(start)} µs after the transmit pulse",
        f"full scale {recording.full_scale:g} codes from zero code {recording.zero_code:g}, "
        + _about_clipping(recording),
        _about_codes(scan),
    ]
    for name, column in scan.columns.items():
        if (column.dtype.kind == "f" and np.isfinite(column).any()) or column.dtype.kind in "iu":
            text = _span(column)
        else:
            text = f"{len(np.unique(column))} different values"
        lines.append(f"column {name}: {text}")
    return lines
