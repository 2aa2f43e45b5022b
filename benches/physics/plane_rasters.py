"""A line of positions along a corroded plane wall, for each probe.

The wall is the same in every plane along the groove: a pit is a GROOVE here, endless across the
line, and takes more of the beam than a round pit of its width would. Outside surface flat.
Thickness at the axis, its mean and its least under the −6 dB beam are the truth; the beam is
measured on the same grid (`beam_mm`). The wall's columns end between cells by mass
(`media.layers`), its flanks at whole columns: `TRUTH_U_MM` holds both.
"""

from __future__ import annotations

import numpy as np

from .finite_differences import Nodes, Source, at_rest, propagate
from .media import Floats
from .plane_dual import Shoes, dual_element
from .plane_probes import LINE_MM, Setting, Wall, single_element
from .plane_walls import flat, groove, less, rough, seen_from, waved

PROBES = ("contact", "line", "dual")
SPAN_US = {"contact": 12.0, "line": 19.0, "dual": 19.0}
PITCH_MM, POSITIONS = 1.5, 10
# A cell's rectangular law, 0.04 mm / √12: flanks stand at whole columns. Depths are known to
# 0.002 mm (test_plane_elastic).
TRUTH_U_MM = 0.012
SMOOTH = flat(8.0)
WASTED = waved(7.0, 1.3, 50.0)
LOSS = rough(0.0, 0.06, 1.5, seed=6)
WALLS: dict[str, Wall] = {
    "smooth": waved(8.0, 0.1, 30.0),
    "rough 10 µm": rough(8.0, 0.01, 0.5, seed=1),
    "rough 30 µm": rough(8.0, 0.03, 0.5, seed=2),
    "rough 100 µm": rough(8.0, 0.1, 1.0, seed=3),
    "rough 300 µm": rough(8.0, 0.3, 2.0, seed=4),
    "flat grooves": less(
        SMOOTH, groove("flat", 2.0, 1.0, 3.5), groove("flat", 6.0, 3.0, 11.5)
    ),
    "V grooves": less(SMOOTH, groove("vee", 3.0, 2.0, 3.5), groove("vee", 6.0, 4.0, 11.5)),
    "half-round grooves": less(
        SMOOTH, groove("round", 2.0, 1.0, 3.5), groove("round", 6.0, 3.0, 11.5)
    ),
    "cluster": less(
        rough(8.0, 0.03, 0.5, seed=5),
        *(
            groove(("round", "vee", "flat")[n % 3], wide, deep, at)
            for n, (wide, deep, at) in enumerate(
                ((1.5, 1.0, 2.0), (1.0, 2.0, 4.0), (3.0, 1.5, 6.0), (2.0, 3.0, 8.5),
                 (4.0, 2.0, 11.0), (1.0, 0.7, 13.0), (2.5, 4.0, 15.0))
            )
        ),
    ),
    "general loss": lambda at: (
        min(8.0, WASTED(at + 18.5)) + LOSS(at)
    ),
}  # fmt: skip
STEPS_MM = (2.0, 3.0, 5.0, 8.0, 12.0)
# Not whole cells, but one.
FLATS_MM = (2.5, 3.71, 4.63, 6.4, 9.35, 10.88)


def probe_on(kind: str, wall: Wall | None) -> Setting:
    """Return a probe of `PROBES` on a wall."""
    if kind == "dual":
        return dual_element(wall, Shoes())
    return single_element(wall, LINE_MM if kind == "line" else 0.0)


def bare(kind: str) -> Setting:
    """Return the probe without a wall: of a contact probe, on one whose echo comes too late."""
    return probe_on(kind, flat(45.0) if kind == "contact" else None)


def places(kind: str) -> Floats:
    """Return a probe's positions along the wall, in mm; a dual probe's twice as far apart."""
    every = PITCH_MM * np.arange(POSITIONS, dtype=np.float64)
    return every[::2] if kind == "dual" else every


def at_place(name: str, place_mm: float) -> Wall:
    """Return a wall of `WALLS` as the probe at a place has it under its axis."""
    return seen_from(WALLS[name], place_mm)


def swing(setting: Setting, deep_mm: float, signal: Floats) -> Floats:
    """Return the most that the waves of the sending element move at a depth, shape (wide,)."""
    grid, sends = setting.grid, setting.sends
    row = int(np.argmin(np.abs(grid.z_mm - deep_mm)))
    columns = np.arange(grid.x_mm.size)
    source = Source(signal, sends.rows, sends.columns, sends.late_us / grid.step_us)
    steps = signal.size + int((sends.late_us.max() + 0.9 + deep_mm / 2.35) / grid.step_us)
    heard = Nodes(np.full(columns.size, row), columns)
    moved = propagate(setting.solid, at_rest(grid), source, heard, steps, grid.ratio)
    return np.asarray(np.abs(moved).max(axis=0))


def beam_mm(kind: str, deep_mm: float, signal: Floats) -> float:
    """Return the −6 dB width of the echo of a line reflector at a depth in steel.

    Sent times heard, which by reciprocity is the same field again (a dual probe: its mirror image).
    """
    setting = probe_on(kind, flat(deep_mm + 12.0))
    ahead = {"contact": 0.0, "line": LINE_MM, "dual": Shoes().backing_mm + Shoes().height_mm}[kind]
    sent = swing(setting, ahead + deep_mm, signal)
    both = sent * (sent[::-1] if kind == "dual" else sent)
    return float(setting.grid.cell_mm * (both > 0.5 * both.max()).sum())
