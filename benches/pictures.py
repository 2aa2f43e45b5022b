"""Pictures of the worst readings that benches know of: wrong, or hiding a thinner wall, unmarked.

    python benches/pictures.py [--folder FOLDER] [--only WORD]

One PNG for each discovery: the record with its gates and the echo picked, what was read, and what
is true. Without a folder they go to a new one among the temporary files. Where a reading is marked
by now, no picture is made, and the line says so. Needs matplotlib.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
from misleading_made import made_trials
from other_physics import BAND, CONTACT, ORDINARY, of_ground
from physics import plane_records as plane
from physics import pulses
from physics.layered_records import Setup, records
from plane_trials import PLANE, block_of, receivers, walls_of
from setups import every_setup
from trial import Trial, of_records
from verdict import Calibrations

from ascan import Calibration, Procedure, measure
from ascan.base.errors import AscanError
from ascan.engine.binding import bind
from ascan.kernels.arrays import FloatArray
from ascan.report.picture import save_picture
from ascan.report.waveform import waveform_figure
from ascan.results.readings import Readings
from ascan.survey.wrong import HIDDEN_MM, eighth_mm, off_mm, thinner_hidden, value_wrong

TRUE, LEAST = "#1f6f54", "#7a3fa0"


class Worst(NamedTuple):
    """A record to be drawn: which, by what calibration, and by how much it is wrong."""

    trial: Trial
    fit: Calibration
    readings: Readings
    row: int
    wrong_mm: float


def slow_block() -> Iterator[Trial]:
    """Yield walls measured with a block of another steel: its velocity is 2 % lower."""
    setup = every_setup()["surface to echo"]()
    what = "block 2 % slow"
    yield made_trials(setup)[what](setup, 9, 30)._replace(what=what)


def other_half_cycle() -> Iterator[Trial]:
    """Yield flat walls in contact, timed on the largest half-cycle of a narrow-band pulse.

    Two half-cycles are about as high; of the steps, noise lets some be timed on one and some on the
    other.
    """
    text = (BAND + CONTACT).replace('half_cycles = "negative"\n', "")
    pulse = pulses.drawn(np.random.default_rng(5), 5.0, bandwidth=(0.25, 0.4))
    setup = Setup(arrangement="contact", pulse=pulse, samples=1800, bits=12, gain=1.5)
    steps, procedure = np.repeat(np.array([3.0, 6.0, 12.0, 20.0]), 3), Procedure.from_text(text)
    for seed in range(20):
        rng = np.random.default_rng(seed)
        block = records(setup, steps, ORDINARY["quiet"], rng)
        walls = records(setup, rng.uniform(3.2, 19.5, 40), ORDINARY["quiet"], rng)
        yield of_records("contact", procedure, block, walls, f"two half-cycles alike, noise {seed}")


def pits_in_contact() -> Iterator[Trial]:
    """Yield rasters over cones and hemispheres with a contact probe, by physical optics."""
    yield from of_ground("contact", 9, 121, ("cones", "hemispheres"))


def dual_in_noise() -> Iterator[Trial]:
    """Yield flat walls under a dual probe by finite differences, 25 dB over the noise."""
    procedure = Procedure.from_text(PLANE["dual, first arrival"][1])
    kept = plane.stored_responses("dual")
    walls = walls_of(kept, plane.AS_CALIBRATED)
    again = plane.chosen(walls, np.tile(np.arange(len(walls.codes)), 20))
    for seed in range(8):
        receiver = replace(next(iter(receivers("dual", seed))), snr_db=25.0)
        made = plane.records(again, receiver, kept)
        yield of_records("dual", procedure, block_of(kept, receiver), made, "as calibrated, 25 dB")


def warm_wedge() -> Iterator[Trial]:
    """Yield whole records of a dual probe whose wedge is 1 % slower than it was on the steps."""
    procedure = Procedure.from_text(PLANE["dual, whole record"][1])
    kept = plane.stored_responses("dual")
    receiver = next(iter(receivers("dual", 1)))
    made = plane.records(plane.group(kept, "warm wedge"), receiver, kept)
    yield of_records("dual", procedure, block_of(kept, receiver), made, "warm wedge")


DISCOVERIES = {
    "slow-block": slow_block,
    "contact-half-cycle": other_half_cycle,
    "contact-pits": pits_in_contact,
    "dual-noise": dual_in_noise,
    "dual-warm-wedge": warm_wedge,
}


def silent_mm(trial: Trial, readings: Readings) -> FloatArray:
    """Return by how much unmarked readings are wrong or hide, mm, shape (n,); 0 where they are not.

    Wrong and hidden as in `ascan.survey.wrong`.
    """
    read, half = readings.thickness_mm, readings.columns["expanded_on_block_mm"]
    wave = trial.procedure.material.velocity_mm_per_us, trial.procedure.probe.frequency_mhz
    wrong = value_wrong(read, trial.truth.claims, half, eighth_mm(*wave))
    hides = thinner_hidden(read, half, trial.least_mm)
    size = np.where(wrong, np.minimum(off_mm(read, trial.truth.claims), 1e3), 0.0)
    size = np.where(hides, np.maximum(size, read - half - trial.least_mm), size)
    return np.asarray(np.where(readings.flags == 0, size, 0.0))


def worst_of(trials: Iterator[Trial]) -> Worst | None:
    """Return the unmarked reading that is wrong or hides by most; None where none is."""
    fits, worst = Calibrations(), None
    for trial in trials:
        try:
            fit = fits.of(trial)
        except AscanError as problem:
            print(f"  {trial.what}: not calibrated: {problem}")
            continue
        readings = measure(trial.component, trial.procedure, fit)
        size = silent_mm(trial, readings)
        row = int(size.argmax())
        if size[row] > (worst.wrong_mm if worst else 0.0):
            worst = Worst(trial, fit, readings, row, float(size[row]))
    return worst


def said(found: Worst) -> str:
    """Return what was read and what is true, in one line."""
    trial, row, columns = found.trial, found.row, found.readings.columns
    truth = f"axis {trial.axis_mm[row]:.2f}, mean {trial.mean_mm[row]:.2f}"
    return (
        f"reads {columns['thickness_mm'][row]:.3f} ± "
        f"{columns['expanded_on_block_mm'][row]:.3f} mm, "
        f"unmarked; true under the beam: {truth}, least {trial.least_mm[row]:.2f} mm"
    )


def marked_true(axes: Any, found: Worst) -> None:
    """Mark about when the echo of the true wall comes: as much earlier as it is thinner."""
    trial, row, columns = found.trial, found.row, found.readings.columns
    gate = trial.procedure.gates[-1].name
    pick_us, read = float(columns[f"{gate}_time_us"][row]), float(columns["thickness_mm"][row])
    walls = [("axis", trial.axis_mm[row], TRUE)]
    if trial.axis_mm[row] - trial.least_mm[row] > HIDDEN_MM:
        walls.append(("least", trial.least_mm[row], LEAST))
    for name, wall_mm, colour in walls:
        due_us = pick_us - 2.0 * (read - float(wall_mm)) / found.fit.velocity_mm_per_us
        axes.axvline(due_us, color=colour, linewidth=1.1, linestyle=":")
        axes.annotate(
            f"true, {name}", (due_us, -1.03), fontsize=7, color=colour, rotation=90, va="bottom"
        )


def draw(name: str, found: Worst, path: Path) -> None:
    """Draw the record with gates, pick and truth."""
    trial, row = found.trial, found.row
    pipeline = bind(trial.procedure, trial.component.recording, found.fit)
    waveform = trial.component.rows.read_block(row, row + 1)[0]
    start_us = float(trial.component.start_time_us[row])
    figure, _ = waveform_figure(pipeline, waveform, start_us, title=f"{name}, {trial.what}")
    figure.suptitle(said(found), fontsize=11, color=TRUE)
    marked_true(figure.axes[0], found)
    for axes, gate in zip(figure.axes[1:], trial.procedure.gates, strict=True):
        if gate is trial.procedure.gates[-1]:
            low, high = axes.get_xlim()
            marked_true(axes, found)
            axes.set_xlim(low, high)
    save_picture(figure, path, dpi=110, replace=True)


def main() -> int:
    """Draw every discovery; 0 always."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--folder", type=Path, help="where pictures go; a temporary one if left out")
    words.add_argument("--only", default="", help="discoveries whose name holds this word")
    given = words.parse_args()
    folder = given.folder or Path(tempfile.mkdtemp(prefix="pictures-"))
    folder.mkdir(parents=True, exist_ok=True)
    for name, trials in DISCOVERIES.items():
        if given.only not in name:
            continue
        found = worst_of(trials())
        if found is None:
            print(f"{name}: no reading is wrong without a mark")
            continue
        path = folder / f"{name}.png"
        draw(name, found, path)
        print(f"{path}: {found.trial.what}, row {found.row}: {said(found)}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
