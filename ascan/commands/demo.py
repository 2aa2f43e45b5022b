"""``ascan demo``: the whole job on invented signals whose truth is known."""

from __future__ import annotations

import argparse
import importlib.util
from pathlib import Path

import numpy as np
from ascan_synthetic.scenario import Setup, SyntheticScan, corroded_plate, step_block

from ascan.calibrating import calibrate
from ascan.commands.shared import progress_bar, say
from ascan.pipeline import Pipeline
from ascan.procedure import Procedure
from ascan.readings import Readings
from ascan.report.cautions import CAUTION
from ascan.report.waveform import draw_waveform
from ascan.scan import Scan
from ascan.store.calibrations import save_calibration
from ascan.store.readings import load_readings, write_csv
from ascan.store.scans import save_scan
from ascan.stream import measure_to_file

EXAMPLE = "ascan demo"
SEED = 20261125
STEPS_MM = np.array([3.0, 5.0, 8.0, 12.0])
BLOCK_U_MM = 0.005
SETUP = Setup(arrangement="delay_line", samples=2000, start_us=5.0)
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
    folder = Path(args.folder)
    folder.mkdir(parents=True, exist_ok=True)
    procedure = Procedure.from_text(PROCEDURE, "demo procedure")
    (folder / "procedure.toml").write_text(PROCEDURE, encoding="utf-8")
    block = step_block(SETUP, STEPS_MM, 5, SEED)
    # The certificate is off by as much as it says it may be; the engine only sees the certificate.
    error_mm = np.random.default_rng(SEED).normal(0.0, BLOCK_U_MM, len(STEPS_MM))
    certified_mm = block.thickness_mm + np.repeat(error_mm, 5)
    plate = corroded_plate(SETUP, 60, 40, SEED)
    save_scan(_scan(block, {"certified_mm": certified_mm}), folder / "block.h5", replace=True)
    component = _scan(plate, plate.columns)
    save_scan(component, folder / "component.h5", replace=True)

    calibration = calibrate(_scan(block, {}), procedure, certified_mm, u_known_mm=BLOCK_U_MM)
    save_calibration(calibration, folder / "calibration.h5", replace=True)
    readings_path = folder / "readings.h5"
    tally = measure_to_file(
        component, procedure, calibration, readings_path, replace=True, progress=progress_bar(args)
    )
    readings = load_readings(readings_path)
    write_csv(readings, folder / "readings.csv", replace=True)

    lines = [f"{procedure.title} (invented; signals are synthetic)", "", *calibration.lines(), ""]
    lines += [*tally.lines(), *_against_truth(readings, plate.thickness_mm)]
    if importlib.util.find_spec("matplotlib"):
        row = tally.thinnest[2]
        draw_waveform(
            Pipeline(procedure, component.recording, calibration),
            plate.waveforms[row],
            float(plate.start_time_us[row]),
            folder / "thinnest.png",
            title=f"thinnest place, row {row}",
            replace=True,
        )
        lines.append(f"picture of the thinnest place: {folder / 'thinnest.png'}")
    say(args, [*lines, f"files are in {folder}/", CAUTION])


def _scan(made: SyntheticScan, columns: dict[str, np.ndarray]) -> Scan:
    return Scan.from_array(
        made.waveforms,
        sample_rate_mhz=made.sample_rate_mhz,
        start_time_us=made.start_time_us,
        full_scale=made.full_scale,
        columns=columns,
        name="synthetic",
    )


def _against_truth(readings: Readings, truth_mm: np.ndarray) -> list[str]:
    """Compare with the invented truth: what no real job can do."""
    clean = readings.flags == 0
    if not clean.any():
        return ["no reading without a flag to compare with the truth"]
    error = readings.thickness_mm[clean] - truth_mm[clean]
    inside = np.abs(error) <= 2.0 * readings.u_mm[clean]
    return [
        f"against the truth, {int(clean.sum())} readings without a flag: mean error "
        f"{1e3 * error.mean():+.1f} µm, largest {1e3 * np.abs(error).max():.1f} µm, inside 2 u "
        f"{100.0 * inside.mean():.1f} % (flat plates without roughness: a real wall is worse)",
    ]
