"""``ascan demo``: the whole job on invented signals whose truth is known."""

from __future__ import annotations

import argparse
import importlib.util
from pathlib import Path

import numpy as np

from ascan.base.errors import fault
from ascan.base.flags import is_marked
from ascan.commands.shared import progress_bar, say
from ascan.commands.synth import synthesis_of, synthetic_scan
from ascan.engine.binding import bind
from ascan.kernels.arrays import FloatArray
from ascan.learning.calibrating import calibrate
from ascan.procedure.written import Procedure
from ascan.report.cautions import CAUTION
from ascan.report.waveform import draw_waveform
from ascan.results.readings import Readings
from ascan.store.calibrations import save_calibration
from ascan.store.readings import load_readings, write_csv
from ascan.store.scans import open_scan, save_scan
from ascan.store.stream import measure_to_file

EXAMPLE = "ascan demo"
MARKER = ".ascan-demo"
SEED = 20261125
BLOCK_U_MM = 0.005
PROCEDURE = """\
title = "Feed-water header of an invented pump house, delay-line probe"

[probe]
name = "demo probe"
arrangement = "delay_line"
frequency_mhz = 5.0
delay_us = 0.35

[material]
name = "steel"
velocity_mm_per_us = 5.920

[filter]
kind = "band_pass"
low_mhz = 2.0
high_mhz = 8.0

[[gate]]
name = "surface"
start_us = 8.0
stop_us = 11.0
threshold = 0.3
half_cycles = "positive"

[[gate]]
name = "wall"
follows = "surface"
start_mm = 2.0
stop_mm = 16.0
threshold = 0.05
half_cycles = "opposite"

[interval]
mode = "interface_to_echo"
gates = ["surface", "wall"]

[range]
min_mm = 3.0
max_mm = 12.0
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("--folder", default="demo", help="where the files go (default: demo)")
    parser.add_argument("--quiet", action="store_true", help="print nothing but errors")


def run(args: argparse.Namespace) -> None:
    """Make the signals, calibrate, measure, compare with the truth, draw the thinnest place."""
    folder = _demo_folder(Path(args.folder))
    procedure = Procedure.from_text(PROCEDURE, "demo procedure")
    (folder / "procedure.toml").write_text(PROCEDURE, encoding="utf-8")
    block = synthetic_scan(synthesis_of("step_block"))
    component = synthetic_scan(synthesis_of("pitted_raster"))
    save_scan(block, folder / "block.h5", replace=True)
    save_scan(component, folder / "component.h5", replace=True, progress=progress_bar(args))

    calibration = calibrate(
        block, procedure, _certified(block.columns["true_axis_mm"]), u_known_mm=BLOCK_U_MM
    )
    save_calibration(calibration, folder / "calibration.h5", replace=True)
    readings_path = folder / "readings.h5"
    stored = open_scan(folder / "component.h5")
    summary = measure_to_file(
        stored, procedure, calibration, readings_path, replace=True, progress=progress_bar(args)
    )
    readings = load_readings(readings_path)
    write_csv(readings, folder / "readings.csv", replace=True)

    lines = [f"{procedure.title} (invented; signals are synthetic)", "", *calibration.lines(), ""]
    lines += [*summary.lines(), *_against_truth(readings)]
    row = summary.thinnest[2]
    if row >= 0 and importlib.util.find_spec("matplotlib"):
        draw_waveform(
            bind(procedure, stored.recording, calibration),
            stored.rows.read_block(row, row + 1)[0],
            float(stored.start_time_us[row]),
            folder / "thinnest.png",
            title=f"thinnest place, row {row}",
            replace=True,
        )
        lines.append(f"picture of the thinnest place: {folder / 'thinnest.png'}")
    say(args, [*lines, f"files are in {folder}/", CAUTION])


def _demo_folder(folder: Path) -> Path:
    """Return the folder, made if need be; one that holds anything but a demo is refused."""
    folder.mkdir(parents=True, exist_ok=True)
    if any(folder.iterdir()) and not (folder / MARKER).is_file():
        raise fault(
            str(folder), "holds files that are not a demo's", remedy="name another --folder"
        )
    (folder / MARKER).write_text("Files of ascan demo; the next demo replaces them.\n")
    return folder


def _certified(true_mm: FloatArray) -> FloatArray:
    """Return steps as certified: off by as much as the certificate says they may be."""
    steps, index = np.unique(true_mm, return_inverse=True)
    error_mm = np.random.default_rng(SEED).normal(0.0, BLOCK_U_MM, steps.size)
    return np.asarray(true_mm + error_mm[index])


def _against_truth(readings: Readings) -> list[str]:
    """Compare with the invented truth: what no real job can do."""
    clean = ~is_marked(readings.flags)
    if not clean.any():
        return ["no reading without a flag to compare with the truth"]
    read, reach = readings.thickness_mm[clean], 2.0 * readings.u_mm[clean]
    least, most = (readings.columns[f"true_{end}_mm"][clean] for end in ("least", "most"))
    error = read - readings.columns["true_axis_mm"][clean]
    inside = (read >= least - reach) & (read <= most + reach)
    level = most - least < 0.05
    return [
        f"against the truth, {int(clean.sum())} readings without a flag: {100 * inside.mean():.1f} "
        "% lie between the least and the most wall under the beam, within 2 u",
        f"  where that wall varies by less than 0.05 mm ({int(level.sum())} readings): mean error "
        f"{1e3 * error[level].mean():+.1f} µm, largest {1e3 * np.abs(error[level]).max():.1f} µm",
        f"  on the flanks of pits: largest error against the axis {np.abs(error).max():.2f} mm; u "
        "does not cover the beam's width",
    ]
