"""Trials on plane elastic waves, stored by `physics/make_plane.py`: procedures, receivers, cells.

Every probe is calibrated on the flat steps of its own physics. Plain walls are flat, even, or rough
by no more than 30 µm; the rest is corroded, or a dual probe that stands otherwise than on its
steps. A pulse is drawn for every receiver, and a block goes with each.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from elastic import SETUPS
from physics import plane_records as plane
from physics.plane_dual import SET_UPS, Shoes
from physics.plane_rasters import WALLS
from physics.records import Records
from physics.transfer import Responses
from trial import Trial, of_records

from ascan import Procedure
from ascan.kernels.arrays import FloatArray

SHOES = Shoes()
# The true dimensions; the elements are tilted by a delay, which is 0 at the outer edges: there
# `height_mm` is measured. Endless strips: so long that what is missing at their ends is nothing.
MIDDLE_MM = SHOES.height_mm + 0.5 * SHOES.width_mm * float(np.tan(np.radians(SHOES.roof_deg)))
DUAL = f"""
probe = {{ arrangement = "dual", frequency_mhz = 5.0, delay_us = 0.64,
          wedge_height_mm = {MIDDLE_MM:.2f},
          wedge_velocity_mm_per_us = {SHOES.wedge.longitudinal_mm_per_us},
          roof_deg = {SHOES.roof_deg}, element_width_mm = {SHOES.width_mm},
          element_length_mm = 24.0, element_gap_mm = {SHOES.gap_mm} }}
filter = {{ kind = "band_pass", low_mhz = 1.5, high_mhz = 9.0 }}
interval = {{ mode = "MODE", gates = ["wall"] }}
[[gate]]
name = "wall"
start_mm = -1.0
stop_mm = 30.0
echo = "first_arrival"
""".replace("\n          ", " ")
# Of each way of measuring: the probe whose records are stored, and its procedure.
PLANE = {
    "contact": SETUPS["contact"],
    "line to echo": SETUPS["surface to echo"],
    "line, whole record": SETUPS["whole record"],
    "dual, first arrival": ("dual", DUAL.replace("MODE", "time_zero_to_echo")),
    "dual, whole record": ("dual", DUAL.replace("MODE", "whole_record")),
}
PLAIN = ("flat", plane.AS_CALIBRATED, "smooth", "rough 10 µm", "rough 30 µm")
OTHER = tuple(name for name in (*SET_UPS, *WALLS) if name not in PLAIN)
READINGS, BLOCK_DB, RECEIVERS_DB = 3, 42.0, (42.0, 30.0)
# Rms of what coupling loses. Behind a line the part that is not coupled comes back inverted: at
# 5 dB nothing is left of the interface echo, so that this must be rare.
COUPLING_DB = {"contact": 2.0, "line": 1.0, "dual": 2.0}


def receivers(kind: str, seed: int) -> Iterator[plane.Receiver]:
    """Yield receivers of a pulse each: any phase, as centre and width of probes of 5 MHz scatter.

    The trigger is 1 ns off, a round value.
    """
    for k, snr_db in enumerate(RECEIVERS_DB):
        rng = np.random.default_rng([seed, k])
        yield plane.Receiver(
            snr_db=snr_db,
            seed=int(rng.integers(2**31)),
            frequency_mhz=float(5.0 * rng.uniform(0.94, 1.06)),
            bandwidth=float(rng.uniform(0.45, 0.7)),
            phase_deg=float(rng.uniform(-180.0, 180.0)),
            coupling_db=COUPLING_DB[kind],
            jitter_us=0.001,
        )


def block_of(kept: Responses, receiver: plane.Receiver) -> Records:
    """Return readings of the flat steps, their noise `BLOCK_DB` below the reference echo."""
    steps = plane.flat_steps(kept)
    again = plane.chosen(steps, np.repeat(np.arange(len(steps.codes)), READINGS))
    return plane.records(again, replace(receiver, snr_db=BLOCK_DB), kept)


def walls_of(kept: Responses, name: str) -> Responses:
    """Return a group's responses without those that the block is made of; there may be none."""
    some = plane.group(kept, name)
    if name != plane.AS_CALIBRATED:
        return some
    return plane.chosen(some, ~np.isin(some.truth_mm[:, 0], plane.flat_steps(kept).truth_mm[:, 0]))


def echo_db(
    some: Responses, made: Records, receiver: plane.Receiver, kept: Responses
) -> FloatArray:
    """Return the largest of the walls' echoes over the rms of noise, shape (n,), dB."""
    heard, bare = some.signals()
    largest = np.abs(plane.pulsed(heard - bare, receiver)).max(axis=1) * made.columns["coupling"]
    over = largest / plane.reference(kept, receiver)
    return np.asarray(receiver.snr_db + 20.0 * np.log10(np.maximum(over, 1e-9)))


def of_plane(name: str, groups: tuple[str, ...], seed: int, rows: int) -> Iterator[Trial]:
    """Yield trials of groups; what is stored is repeated with new noise, ``rows`` and more in all.

    A number is owed where the wall is plain.
    """
    kind, text = PLANE[name]
    procedure, kept = Procedure.from_text(text), plane.stored_responses(kind)
    for receiver in receivers(kind, seed):
        block = block_of(kept, receiver)
        for k, group in enumerate(groups):
            some = walls_of(kept, group)
            count = len(some.codes)
            if count == 0:
                continue
            times = -(-rows // (count * len(RECEIVERS_DB)))
            some = plane.chosen(some, np.tile(np.arange(count), times))
            made = plane.records(some, replace(receiver, seed=receiver.seed + 1 + k), kept)
            trial = of_records(name, procedure, block, made, group)
            if group in PLAIN:
                above = echo_db(some, made, receiver, kept)
                trial = trial._replace(echo_db=lambda above=above: above)
            yield trial
