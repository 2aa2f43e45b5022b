"""Drafted procedures beside hand-written ones: the same records, none of them drafted from.

    python benches/drafting.py [ROWS] [SEED]

For every set-up of `setups`, each with its hand-written procedure: a procedure is drafted from one
block's records, then both are calibrated on another block and read walls of random thickness. Rms
error of right values, right values in all, right and unmarked, wrong and unmarked; and seconds that
drafting took, of this machine. Then for every block of ordinary work what its echoes are taken for,
the arrangement not stated. Where they lie beside this project, the measured blocks follow.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from ascan_synthetic.synthesis import Synthesis
from ordinary import WAYS, ordinary
from physics.plane_records import AS_CALIBRATED, chosen, records, stored_responses
from plane_trials import MIDDLE_MM, PLANE, SHOES, block_of, receivers, walls_of
from setups import Setup, every_setup, known_of, scan_of
from trial import of_records

from ascan import Procedure, Scan, calibrate, measure, open_scan
from ascan.base.errors import AscanError
from ascan.base.flags import is_fatal, is_marked
from ascan.drafting.drafting import draft_procedure
from ascan.drafting.pulse import records_of
from ascan.drafting.tracks import tracks_of
from ascan.drafting.wishes import DualProbe, Wishes
from ascan.kernels.arrays import FloatArray
from ascan.survey.wrong import eighth_mm, tolerance_mm

REAL = Path(__file__).resolve().parents[2] / "shared" / "real"
BLOCKS = 20
PROBE = DualProbe(
    wedge_height_mm=8.0, wedge_velocity_mm_per_us=2.35, roof_deg=3.5, element_width_mm=5.0,
    element_length_mm=8.0, element_gap_mm=1.0,
)  # fmt: skip

# Of the strips in `plane_trials`.
STRIPS = DualProbe(
    wedge_height_mm=MIDDLE_MM, wedge_velocity_mm_per_us=SHOES.wedge.longitudinal_mm_per_us,
    roof_deg=SHOES.roof_deg, element_width_mm=SHOES.width_mm, element_length_mm=24.0,
    element_gap_mm=SHOES.gap_mm,
)  # fmt: skip


def wishes_for(setup: Setup) -> Wishes:
    """Return what a user would state of a set-up."""
    dual, radius_mm = setup.arrangement == "dual", setup.clean.probe.radius_mm
    return Wishes(
        arrangement=setup.arrangement,
        element_diameter_mm=None if dual or not radius_mm else 2.0 * radius_mm,
        dual=PROBE if dual else None,
    )


def scored(
    how: Procedure, block: Scan, known_mm: FloatArray, walls: Scan, truth_mm: FloatArray
) -> tuple[float, float, float, int]:
    """Return rms error (µm) and share of right values, share right and unmarked, count silent."""
    readings = measure(walls, how, calibrate(block, how, known_mm, u_known_mm=0.003))
    flags = np.asarray(readings.flags, np.uint32)
    read = ~is_fatal(flags) & np.isfinite(readings.thickness_mm)
    off = np.abs(readings.thickness_mm - truth_mm)
    eighth = eighth_mm(5.92, how.probe.frequency_mhz)
    right = read & (off <= tolerance_mm(readings.columns["expanded_on_block_mm"], truth_mm, eighth))
    plain = right & ~is_marked(flags)
    silent = read & ~right & ~is_marked(flags)
    rms = 1e3 * float(np.sqrt(np.mean(off[right] ** 2))) if right.any() else float("nan")
    return rms, float(right.mean()), float(plain.mean()), int(silent.sum())


def by_setups(rows: int, seed: int) -> None:
    print("drafted / hand-written: rms µm, right %, right and unmarked %, wrong and unmarked; s")
    for name, make in every_setup().items():
        setup = make()
        drawn, other = setup.block(seed), setup.block(seed + 1)
        walls = setup.with_walls(seed + 2, rows)
        made = Synthesis(walls)
        component, truth = scan_of(made, made.waveforms()), known_of(made)
        block, known = scan_of(other, other.waveforms()), known_of(other)
        began = time.monotonic()
        draft = draft_procedure(
            scan_of(drawn, drawn.waveforms()), known_of(drawn), wishes_for(setup)
        )
        spent = time.monotonic() - began
        ours = scored(Procedure.from_text(draft.text), block, known, component, truth)
        hand = scored(setup.procedure, block, known, component, truth)
        pairs = " ".join(
            f"{mine:7.2f} /{theirs:7.2f}"
            for mine, theirs in zip(percent(ours), percent(hand), strict=True)
        )
        print(f"{name:<23} {draft.trials[0].candidate.name:<43} {pairs} {spent:3.0f}", flush=True)


def percent(found: tuple[float, float, float, int]) -> tuple[float, float, float, int]:
    """Return what was scored, shares in percent."""
    rms, right, plain, silent = found
    return rms, 100.0 * right, 100.0 * plain, silent


def by_elastic(rows: int, seed: int) -> None:
    """Print the same for plane elastic waves: plain walls, one draft for each receiver."""
    print("plane elastic waves, plain walls: drafted / hand-written")
    for name, (kind, text) in PLANE.items():
        kept, procedure = stored_responses(kind), Procedure.from_text(text)
        for number, receiver in enumerate(receivers(kind, seed)):
            drawn = block_of(kept, replace(receiver, seed=receiver.seed + 50))
            block = block_of(kept, receiver)
            flat = walls_of(kept, "flat")
            some = flat if len(flat.codes) else walls_of(kept, AS_CALIBRATED)
            some = chosen(some, np.resize(np.arange(len(some.codes)), rows))
            made = records(some, replace(receiver, seed=receiver.seed + 90), kept)
            of_draft, trial = (
                of_records(name, procedure, one, made, "flat") for one in (drawn, block)
            )
            wishes = Wishes(
                arrangement=procedure.probe.arrangement, dual=STRIPS if kind == "dual" else None
            )
            try:
                draft = draft_procedure(of_draft.block, of_draft.known_mm, wishes)
                ours = Procedure.from_text(draft.text)
                found = [
                    percent(
                        scored(how, trial.block, trial.known_mm, trial.component, trial.axis_mm)
                    )
                    for how in (ours, procedure)
                ]
            except AscanError as problem:
                print(f"{name}, receiver {number}: {problem}")
                continue
            pairs = " ".join(
                f"{mine:7.2f} /{theirs:7.2f}" for mine, theirs in zip(*found, strict=True)
            )
            chosen_name = draft.trials[0].candidate.name
            print(f"{name:<20} {number} {chosen_name:<43} {pairs}", flush=True)


def by_blocks(seed: int) -> None:
    """Print how often the arrangement is told, and the velocity's error, by ways of measuring."""
    print("arrangement told of blocks; velocity off by at most, %")
    for name in WAYS:
        told, off, blocks = 0, 0.0, 0
        for trial in ordinary(name, seed, 1, BLOCKS):
            blocks += 1
            try:
                tracks = tracks_of(records_of(trial.block, trial.known_mm))
            except AscanError as problem:
                print(f"  {name}, {trial.what}: {problem}")
                continue
            told += tracks.arrangement == trial.procedure.probe.arrangement
            off = max(off, abs(tracks.velocity_mm_per_us / 5.92 - 1.0))
        print(f"{name:<24} {told} of {blocks}; {100.0 * off:.1f}", flush=True)


def measured() -> None:
    """Draft from the measured blocks, if they are there."""
    steel, aluminium = (
        REAL / name
        for name in ("step_block_steel_immersion_5mhz.npz", "block_aluminium_contact_5mhz.npz")
    )
    if not steel.is_file() or not aluminium.is_file():
        print("the measured blocks are not here")
        return
    known = np.asarray(np.load(steel)["checked_mm"], np.float64)
    line = np.where(np.load(aluminium)["x_mm"] < 3.75, 40.0, np.nan)
    for path, steps, wishes in (
        (steel, known, Wishes(arrangement="immersion")),
        (aluminium, line, Wishes(arrangement="contact")),
    ):
        print(path.name)
        try:
            print("\n".join(draft_procedure(open_scan(path), steps, wishes).lines()))
        except AscanError as problem:
            print(problem)


if __name__ == "__main__":
    by_setups(
        int(sys.argv[1]) if len(sys.argv) > 1 else 60,
        int(sys.argv[2]) if len(sys.argv) > 2 else 91_000,
    )
    by_elastic(60, int(sys.argv[2]) if len(sys.argv) > 2 else 91_000)
    by_blocks(int(sys.argv[2]) if len(sys.argv) > 2 else 91_000)
    measured()
