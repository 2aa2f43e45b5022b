"""Blocks that are hard to draft from: what is proposed, what is refused, and why.

    python benches/hard_blocks.py [SEED]

Each is a block of `setups` with one difficulty. Printed: the candidate that was chosen, then what a
calibration by it on the same block reads of walls inside its steps (rms of right values in µm;
right and unmarked, wrong and unmarked, of all), or the refusal; and the notes of the draft.
"""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from ascan_synthetic.synthesis import Synthesis
from ascan_synthetic.tables import Scenario, WallTable
from drafting import percent, scored
from setups import every_setup, known_of, scan_of

from ascan import Procedure, Scan, draft_procedure
from ascan.base.errors import AscanError
from ascan.drafting.wishes import Wishes
from ascan.kernels.arrays import FloatArray

ROWS = 60


class Hard(NamedTuple):
    """A block: what is hard about it, its records and labels, and clean signals of walls on it."""

    what: str
    scan: Scan
    known_mm: FloatArray
    walls: Scenario
    wishes: Wishes


def hard_blocks(seed: int) -> Iterator[Hard]:
    """Yield the blocks."""
    setups = every_setup()
    line, contact, water = (
        setups[name]() for name in ("surface to echo", "contact", "water, surface to echo")
    )
    behind = Wishes(arrangement="delay_line", element_diameter_mm=6.0)
    touching = Wishes(arrangement="contact")

    def made(
        clean: Scenario, steps_mm: tuple[float, ...], readings: int = 4
    ) -> tuple[Scan, FloatArray]:
        wall = WallTable(steps_mm=steps_mm, readings=readings)
        block = Synthesis(dataclasses.replace(clean, seed=seed, wall=wall))
        return scan_of(block, block.waveforms()), known_of(block)

    def walls(clean: Scenario, low_mm: float, high_mm: float) -> Scenario:
        wall = WallTable(uniform_mm=(low_mm, high_mm), count=ROWS)
        return dataclasses.replace(clean, seed=seed + 1, wall=wall)

    for name, setup, wishes in (("line", line, behind), ("contact", contact, touching)):
        clean, steps = setup.clean, setup.steps_mm
        wide = walls(clean, steps[0], steps[-1])
        two = (steps[0], steps[-1])
        yield Hard(f"{name}: two steps", *made(clean, two), wide, wishes)
        yield Hard(f"{name}: one step", *made(clean, steps[1:2]), wide, wishes)
        yield Hard(f"{name}: one reading a step", *made(clean, steps, 1), wide, wishes)
        scan, known = made(clean, steps)
        yield Hard(f"{name}: labels in reverse", scan, known[::-1].copy(), wide, wishes)
        label = np.where(known == steps[1], 1.3 * steps[1], known)
        yield Hard(f"{name}: one label 30 % off", scan, label, wide, wishes)
        yield Hard(f"{name}: labels in inches", scan, known / 25.4, wide, wishes)
        coarse = dataclasses.replace(
            clean,
            record=dataclasses.replace(
                clean.record, bits=8, sample_rate_mhz=25.0, samples=clean.record.samples // 4
            ),
        )
        own = walls(coarse, steps[0], steps[-1])
        yield Hard(f"{name}: 8 bits at 25 MHz", *made(coarse, steps), own, wishes)
        lost = dataclasses.replace(
            clean, receiver=dataclasses.replace(clean.receiver, lost_coupling=0.5)
        )
        yield Hard(f"{name}: half of the records uncoupled", *made(lost, steps), wide, wishes)
        painted = dataclasses.replace(clean, stack=dataclasses.replace(clean.stack, coating_mm=0.3))
        odd = made(painted, steps[1:2])[0]
        codes = scan.rows.read_block(0, len(scan)).copy()
        codes[known == steps[1]] = odd.rows.read_block(0, len(odd))
        mixed = dataclasses.replace(scan, rows=scan_of(Synthesis(wide), codes).rows)
        yield Hard(f"{name}: one step painted", mixed, known, wide, wishes)
        other = Synthesis(wide)
        component = scan_of(other, other.waveforms())
        steps_said = np.repeat(steps, -(-len(component) // len(steps)))[: len(component)]
        yield Hard(f"{name}: a component's scan", component, steps_said, wide, wishes)
    thin = (0.6, 0.8, 1.0, 1.3)
    for name, setup, wishes in (("line", line, behind), ("contact", contact, touching)):
        own = walls(setup.clean, thin[0], thin[-1])
        yield Hard(f"{name}: walls below 1.3 mm", *made(setup.clean, thin), own, wishes)
    steps = water.steps_mm
    wide = walls(water.clean, steps[0], steps[-1])
    still = Wishes(arrangement="delay_line", element_diameter_mm=6.0)
    yield Hard("water, said to be a line", *made(water.clean, steps), wide, still)


def told(hard: Hard) -> str:
    """Return what is proposed, and what it reads, or why nothing is."""
    try:
        draft = draft_procedure(hard.scan, hard.known_mm, hard.wishes)
    except AscanError as problem:
        return f"refused: {problem}"
    made = Synthesis(hard.walls)
    truth = np.asarray(made.truth_columns()["true_axis_mm"])
    found = f"{draft.trials[0].candidate.name}; "
    try:
        procedure = Procedure.from_text(draft.text)
        reached = percent(
            scored(procedure, hard.scan, hard.known_mm, scan_of(made, made.waveforms()), truth)
        )
        found += "rms {:.1f} µm, right {:.0f} %, unmarked {:.0f} %, silent {}".format(*reached)
    except AscanError as problem:
        found += f"not calibrated: {problem}"
    return "; ".join([found, *draft.notes])


if __name__ == "__main__":
    for hard in hard_blocks(int(sys.argv[1]) if len(sys.argv) > 1 else 92_000):
        print(f"| {hard.what} | {told(hard)[:700]} |", flush=True)
