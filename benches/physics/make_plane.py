"""Makes the stored transfer functions of plane probes, or checks them against a new run.

    python benches/physics/make_plane.py [--check] [--jobs 2] [--only contact|line|dual]

Some 390 runs of plane elastic waves: twelve minutes of one core. --check makes
all again and compares codes: none may differ by more than two (compilers sum in another order), and
the truth not at all.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from physics import plane_dual, plane_rasters, transfer
from physics.media import Floats
from physics.plane_probes import Setting, Wall, heard
from physics.plane_walls import flat, truth

DATA = Path(__file__).resolve().parent / "data"
MOST_CODES, DIGEST_CODES = 2, 64
# A beam is told at the wall that most of the rasters have, with a pulse of 5 MHz and 60 %.
DEPTH_MM, FREQUENCY_MHZ, BANDWIDTH = 8.0, 5.0, 0.6


class Task(NamedTuple):
    """One run: a probe, a wall or set-up, and a place on it, or a thickness, in mm."""

    kind: str
    group: str
    at_mm: float


BARE = -1.0


def tasks(kind: str) -> Iterator[Task]:
    """Yield every record of a probe."""
    if kind == "dual":
        yield from (
            Task(kind, name, mm) for name in plane_dual.SET_UPS for mm in plane_dual.WALLS_MM
        )
    else:
        yield from (Task(kind, "steps", mm) for mm in plane_rasters.STEPS_MM)
        yield from (Task(kind, "flat", mm) for mm in plane_rasters.FLATS_MM)
    yield from (
        Task(kind, name, at) for name in plane_rasters.WALLS for at in plane_rasters.places(kind)
    )


def wall_of(task: Task) -> Wall:
    """Return a task's wall, its place at 0."""
    if task.group in plane_rasters.WALLS:
        return plane_rasters.at_place(task.group, task.at_mm)
    if task.kind == "dual":
        return plane_dual.wall_of(task.group, task.at_mm)
    return flat(task.at_mm)


def setting_of(task: Task) -> Setting:
    """Return a task's probe on its wall."""
    if task.at_mm == BARE and task.group not in plane_dual.SET_UPS:
        return plane_rasters.bare(task.kind)
    wall = None if task.at_mm == BARE else wall_of(task)
    if task.group in plane_dual.SET_UPS:
        return plane_dual.dual_element(wall, plane_dual.SET_UPS[task.group])
    return plane_rasters.probe_on(task.kind, wall)


def run(task: Task) -> Floats:
    """Return a task's response."""
    setting, span = setting_of(task), plane_rasters.SPAN_US[task.kind]
    step = setting.grid.step_us
    clock = np.arange(int(2.0 * transfer.CENTRE_US / step) + 1, dtype=np.float64)
    time = step * clock - transfer.CENTRE_US
    moved = heard(setting, transfer.impulse(time), span + transfer.CENTRE_US)
    return transfer.response(moved, step, span)


def pulse(step_us: float) -> Floats:
    """Return the pulse that beams are told with."""
    time = step_us * np.arange(int(1.28 / step_us)) - 0.64
    width = np.pi * FREQUENCY_MHZ * BANDWIDTH / np.sqrt(2.0 * np.log(2.0))
    shape = np.exp(-0.5 * (width * time) ** 2) * np.cos(2.0 * np.pi * FREQUENCY_MHZ * time)
    return np.asarray(shape)


def made(kind: str, jobs: int) -> transfer.Responses:
    """Return all responses of a probe."""
    todo = list(tasks(kind))
    bare = {each.group: Task(kind, each.group, BARE) for each in todo}
    # Without a wall the rasters' probes are all the same.
    same = [name for name in bare if name not in plane_dual.SET_UPS]
    bare |= dict.fromkeys(same, Task(kind, "steps", BARE))
    step = plane_rasters.probe_on(kind, flat(DEPTH_MM)).grid.step_us
    beam = plane_rasters.beam_mm(kind, DEPTH_MM, pulse(step))
    every = list(dict.fromkeys([*todo, *bare.values()]))
    with ProcessPoolExecutor(jobs) as pool:
        found = dict(zip(every, pool.map(run, every), strict=True))
    codes, scale = transfer.coded(np.array([found[each] for each in todo]))
    bare_codes, bare_scale = transfer.coded(np.array([found[bare[e.group]] for e in todo]))
    raster = np.array([each.group in plane_rasters.WALLS for each in todo])
    return transfer.Responses(
        codes=codes,
        scale=scale,
        groups=np.array([each.group for each in todo]),
        truth_mm=np.array([truth(wall_of(each), beam) for each in todo]),
        x_mm=np.where(raster, [each.at_mm for each in todo], 0.0),
        bare_codes=bare_codes,
        bare_scale=bare_scale,
        beam_mm=beam,
        kind=kind,
    )


def digest(kept: transfer.Responses) -> str:
    """Return a digest that the last bits of a run rarely touch: of codes in steps of 64."""
    coarse = np.rint(kept.codes / DIGEST_CODES).astype(np.int16)
    return hashlib.sha256(coarse.tobytes()).hexdigest()[:12]


def differs(new: transfer.Responses, old: transfer.Responses) -> int:
    """Return the most that codes differ by; a thousand where the truth or the list does."""
    same = (
        new.codes.shape == old.codes.shape
        and np.array_equal(new.groups, old.groups)
        and np.allclose(new.truth_mm, old.truth_mm, rtol=0.0, atol=1e-9)
        and np.allclose(new.scale, old.scale, rtol=1e-3, atol=0.0)
    )
    if not same:
        return 1000
    # In the old codes' own size, so that a peak that differs does not count at every sample.
    ratio = (new.scale / old.scale)[:, None]
    return int(np.rint(np.abs(new.codes * ratio - old.codes)).max())


def main() -> int:
    """Make or check each probe's file; 1 where one differs."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--check", action="store_true")
    words.add_argument("--jobs", type=int, default=2)
    words.add_argument("--only", choices=plane_rasters.PROBES)
    given, failed = words.parse_args(), False
    for kind in [given.only] if given.only else plane_rasters.PROBES:
        path, kept = DATA / f"plane_{kind}.npz", made(kind, given.jobs)
        line = f"{kind}: {len(kept.codes)} records, beam {kept.beam_mm:.2f} mm, {digest(kept)}"
        if given.check:
            most = differs(kept, transfer.load(path))
            failed |= most > MOST_CODES
            line += f", stored {digest(transfer.load(path))}, codes differ by at most {most}"
        else:
            transfer.save(path, kept)
            line += f", {path.stat().st_size / 1e6:.2f} MB"
        print(line, flush=True)
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
