"""``ascan demo``: the whole job on invented signals whose truth is known."""

from __future__ import annotations

import argparse
import importlib.util
from pathlib import Path

import numpy as np

from ascan.base.errors import fault
from ascan.base.flags import is_marked
from ascan.commands.draft import picture_of
from ascan.commands.shared import Bar, progress_bar, say
from ascan.commands.synth import synthesis_of, synthetic_scan
from ascan.drafting.drafting import draft_procedure
from ascan.drafting.wishes import Wishes
from ascan.engine.binding import bind
from ascan.engine.pipeline import Pipeline
from ascan.kernels.arrays import FloatArray
from ascan.learning.calibrating import calibrate
from ascan.procedure.written import Procedure
from ascan.report.cautions import CAUTION
from ascan.report.picture import save_picture
from ascan.report.surface import draw_surface
from ascan.report.waveform import draw_waveform
from ascan.results.readings import Readings
from ascan.results.summary import Summary
from ascan.store.calibrations import save_calibration
from ascan.store.readings import load_readings, write_csv
from ascan.store.scans import open_scan, save_scan
from ascan.store.stream import measure_to_file
from ascan.survey.cells import pitch_of, to_cells
from ascan.survey.figures import figures_of
from ascan.survey.places import places_of
from ascan.waveform.scan import Scan

EXAMPLE = "ascan demo"
MARKER = ".ascan-demo"
SEED = 20261125
BLOCK_U_MM = 0.005
# What no record can tell, and whoever holds the probe knows.
ARRANGEMENT = "delay_line"
TITLE = "feed-water header of an invented pump house"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("--folder", default="demo", help="where the files go (default: demo)")
    parser.add_argument("--quiet", action="store_true", help="print nothing but errors")


def run(args: argparse.Namespace) -> None:
    """Make the signals, draft, calibrate, measure, compare with the truth, draw."""
    folder = _demo_folder(Path(args.folder))
    block = synthetic_scan(synthesis_of("step_block"))
    component = synthetic_scan(synthesis_of("pitted_raster"))
    save_scan(block, folder / "block.h5", replace=True)
    save_scan(component, folder / "component.h5", replace=True, progress=progress_bar(args))
    stored = open_scan(folder / "component.h5")
    known_mm = _certified(block.columns["true_axis_mm"])

    wishes = Wishes(arrangement=ARRANGEMENT, component=stored, corroded=True)
    draft = draft_procedure(block, known_mm, wishes, progress=Bar(args.quiet, "candidates"))
    (folder / "procedure.toml").write_text(draft.text, encoding="utf-8")
    procedure = Procedure.from_text(draft.text, "drafted procedure")
    calibration = calibrate(block, procedure, known_mm, u_known_mm=BLOCK_U_MM)
    save_calibration(calibration, folder / "calibration.h5", replace=True)
    readings_path = folder / "readings.h5"
    summary = measure_to_file(
        stored, procedure, calibration, readings_path, replace=True, progress=progress_bar(args)
    )
    readings = load_readings(readings_path)
    write_csv(readings, folder / "readings.csv", replace=True)

    lines = [f"{TITLE}, {ARRANGEMENT} probe (invented; signals are synthetic)", ""]
    lines += [*draft.lines(), "", *calibration.lines(), ""]
    lines += [*summary.lines(), *_against_truth(readings)]
    if importlib.util.find_spec("matplotlib"):
        save_picture(picture_of(block, draft), folder / "draft.png", dpi=110, replace=True)
        lines.append(f"the block, with its echoes and the gates: {folder / 'draft.png'}")
        cells = to_cells(places_of(readings), cell_mm=pitch_of(places_of(readings)))
        surface = figures_of(cells, ())
        draw_surface(cells, surface, folder / "surface.png", title=TITLE, replace=True)
        lines.append(f"the surface: {folder / 'surface.png'}")
        lines += _thinnest(stored, bind(procedure, stored.recording, calibration), summary, folder)
    say(args, [*lines, f"files are in {folder}/", CAUTION])


def _thinnest(scan: Scan, pipeline: Pipeline, summary: Summary, folder: Path) -> list[str]:
    """Draw the waveform of the thinnest reading; return in words where."""
    row = summary.thinnest[2]
    if row < 0:
        return []
    draw_waveform(
        pipeline,
        scan.rows.read_block(row, row + 1)[0],
        float(scan.start_time_us[row]),
        folder / "thinnest.png",
        title=f"thinnest place, row {row}",
        replace=True,
    )
    return [f"the waveform of the thinnest place: {folder / 'thinnest.png'}"]


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
