"""What misleads, as data: each difficulty by its name, and which set-ups can meet it.

A difficulty of `ANY`, `SINGLE`, `SURFACE` or `DUAL` changes keys of the scenario's tables, or the
stored codes. What needs more than that (two records mixed, another block) is in
`misleading_made.MADE`, by name as well.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from ascan_synthetic.synthesis import Synthesis
from setups import Setup
from stored import (
    Codes,
    clock_off,
    frozen_end,
    holes,
    late_by,
    late_by_wandering,
    louder_later,
    same_for_all,
    stuck_bit,
)

from ascan.kernels.arrays import AnyArray, FloatArray

Keys = dict[str, Any]


@dataclass(frozen=True)
class Difficulty:
    """What is changed against the clean signals.

    ``receiver``, ``stack``, ``wall``, ``probe`` and ``record`` are keys of the scenario's tables;
    ``codes`` changes what was stored. ``owed`` says that a number can be asked for.
    """

    name: str
    receiver: Keys = field(default_factory=dict)
    stack: Keys = field(default_factory=dict)
    wall: Keys = field(default_factory=dict)
    probe: Keys = field(default_factory=dict)
    codes: Codes | None = None
    owed: bool = True


Change = Callable[[Setup], Keys]


def louder(by_db: float, setup: Setup) -> float:
    return setup.clean.receiver.gain * 10.0 ** (by_db / 20.0)


def noisier(by_db: float, setup: Setup) -> float:
    return setup.clean.receiver.noise * 10.0 ** (by_db / 20.0)


def gain(by_db: float, **more: float) -> Change:
    return lambda setup: {"receiver": {"gain": louder(by_db, setup), **more}}


def noise(by_db: float) -> Change:
    return lambda setup: {"receiver": {"noise": noisier(by_db, setup)}}


def receiver(**keys: Any) -> Change:
    return lambda setup: {"receiver": keys}


def stack(**keys: Any) -> Change:
    return lambda setup: {"stack": keys}


def probe(**keys: Any) -> Change:
    return lambda setup: {"probe": keys}


def codes(change: Codes, *, owed: bool = True) -> Change:
    return lambda setup: {"codes": change, "owed": owed}


def nothing_owed(**keys: Any) -> Change:
    return lambda setup: {"receiver": keys, "owed": False}


def beneath(**keys: Any) -> Change:
    """Change the wall, seen by a beam of 4 mm."""
    return lambda setup: {"wall": keys, "probe": {"footprint_mm": 4.0}}


def usual_mm(setup: Setup) -> float:
    """Return what is left of a raster's sound wall."""
    return 1.6 if setup.is_thin else 9.0


# Columns and rows of a raster: as `faults` always had it, and a smaller one that is made faster.
LARGER, SMALLER = 40, 20


def on_raster(setup: Setup, size: int = LARGER, **keys: Any) -> Keys:
    """Return a raster of so many places each way, 1.3 mm apart, under a beam of 4 mm."""
    raster = {"uniform_mm": (), "count": 0, "columns": size, "rows": size, "pitch_mm": 1.3}
    raster |= {"nominal_mm": usual_mm(setup)}
    return {"wall": raster | keys, "probe": {"footprint_mm": 4.0}}


def pitted(setup: Setup, size: int = LARGER) -> Keys:
    deepest, count = 6.0 / 9.0 * usual_mm(setup), 30 * size**2 // LARGER**2
    return on_raster(setup, size, pits=count, deepest_mm=deepest, pit_kinds=("round", "flat"))


def sheets(depths: Callable[[int], float], size: int = LARGER) -> Change:
    """Return 25 sheets of 9 mm, each at a share of a wall of 9 mm."""

    def laid(setup: Setup) -> Keys:
        of = usual_mm(setup) / 9.0
        found = tuple(
            {"x_mm": 6.0 + 10.0 * (k % 5), "y_mm": 6.0 + 10.0 * (k // 5), "diameter_mm": 9.0,
             "depth_mm": of * depths(k)} for k in range(25)
        )  # fmt: skip
        return on_raster(setup, size, lamination=found)

    return laid


def undercut(setup: Setup) -> Keys:
    """Return narrow grooves beside a weld: 1.2 mm wide, a tenth to a third of the wall deep."""
    usual = usual_mm(setup)
    grooves = tuple(
        {"kind": "slot", "x_mm": 2.0 + 3.0 * k, "y_mm": 13.0, "width_mm": 1.2, "length_mm": 60.0,
         "depth_mm": usual * (0.1 + 0.03 * k)} for k in range(8)
    )  # fmt: skip
    return on_raster(setup, SMALLER, pit=grooves)


ANY: dict[str, Change] = {
    "clean": lambda setup: {},
    "weak, clean": gain(-10),
    "noise +10 dB": noise(10),
    "noise +20 dB": noise(20),
    "noise +30 dB": noise(30),
    "clipped, +8 dB": gain(8),
    "clipped, +20 dB": gain(20),
    "clipped, +40 dB": gain(40),
    "bent, no rail": gain(12, soft_clip=0.5),
    "offset": receiver(offset=0.1),
    "wander": receiver(wander=0.1),
    "fast wander": receiver(wander=0.1, wander_period_us=2.0),
    "inverted": receiver(inverted=1.0),
    "spikes": receiver(spikes=4.0),
    "many spikes": receiver(spikes=30.0, spike_height=0.2),
    "grain": receiver(grain=0.03),
    "strong grain": receiver(grain=0.12),
    "hum in the band": receiver(noise=0.02, noise_band_mhz=(4.0, 6.0)),
    "wrap-around": receiver(previous_us=23.0),
    "wrap-around, soon": receiver(previous_us=9.0),
    "coupling lost": nothing_owed(lost_coupling=1.0),
    "dead": nothing_owed(dead=1.0),
    "stuck": codes(same_for_all, owed=False),
    "stuck bit": codes(stuck_bit),
    "frozen end": codes(frozen_end, owed=False),
    "not finite": codes(holes, owed=False),
    "thin": lambda setup: {"wall": {"uniform_mm": (0.4, setup.walls_mm[0])}},
    "thick": lambda setup: {"wall": {"uniform_mm": (22.5, 40.0)}, "owed": False},
    "pits": pitted,
    "tilt": beneath(tilt_deg=2.0),
    "rough": beneath(rough_rms_mm=0.12, rough_correlation_mm=1.0),
    "sheet in the wall": sheets(lambda k: 2.5 + 0.25 * k),
    "much gain spread": receiver(gain_spread_db=12.0),
    "attenuating": stack(attenuation_db_per_mm=0.6),
}
SINGLE: dict[str, Change] = {
    "water behind": stack(backing="water"),
    "film 0.05 mm": stack(couplant_mm=0.05),
    "paint 0.3 mm": stack(coating_mm=0.3),
    "paint 1 mm": stack(coating_mm=1.0),
    "other pulse": probe(phase_deg=110.0),
    "narrow pulse": probe(bandwidth=0.25),
    "3.5 MHz probe": probe(centre_mhz=3.5),
}
SURFACE: dict[str, Change] = {
    "trigger ±0.3 µs": codes(late_by(-0.3, 0.3)),
    "clock off 5-10 %": lambda setup: {"codes": clock_off(100.0 * setup.clean.record.start_us)},
    "short line": lambda setup: {"probe": {"path_mm": 0.6 * setup.clean.probe.path_mm}},
    "film 0.2 mm": stack(couplant_mm=0.2),
}
DUAL: dict[str, Change] = {
    "cross-talk": probe(cross_talk=0.5, cross_talk_us=8.5),
    "conversion": probe(conversion=4.0),
}
# Behind all the others, so that those keep their seeds.
LATER: dict[str, Change] = {
    "gain +2 dB/µs": codes(louder_later(2.0)),
    "sheet at a third": sheets(lambda k: 3.0, SMALLER),
    "undercut": undercut,
    "trigger wanders": codes(late_by_wandering(0.2)),
}
LATER_SINGLE: dict[str, Change] = {
    "product behind": lambda setup: {
        "stack": {"backing": "product", "attenuation_db_per_mm": 0.05},
        "wall": {"rough_rms_mm": 0.05, "rough_correlation_mm": 1.5},
        "probe": {"footprint_mm": 4.0},
    },
}


def difficulties(setup: Setup) -> list[Difficulty]:
    """Return what a set-up can meet, in an order that never changes."""
    met = dict(ANY)
    if setup.arrangement != "dual":
        met |= SINGLE
    if setup.sees_surface:
        met |= SURFACE
    if setup.arrangement == "dual":
        met |= DUAL
    met |= LATER
    if setup.arrangement != "dual":
        met |= LATER_SINGLE
    return [Difficulty(name, **change(setup)) for name, change in met.items()]


@dataclass(frozen=True, eq=False, slots=True)
class Signals:
    """Waveforms of one difficulty, and what lies under each.

    Attributes
    ----------
    made : Synthesis
        What they were made from.
    picked : ndarray of int, shape (n,)
        Which of its waveforms they are.
    codes : ndarray, shape (n, samples)
    claims_mm : ndarray, shape (2 k, n), mm
        Pairs of bounds between which a reading is right.
    least_mm : ndarray, shape (n,), mm
        The least under the −6 dB footprint, a sheet's face included.
    """

    made: Synthesis
    picked: AnyArray
    codes: AnyArray
    claims_mm: FloatArray
    least_mm: FloatArray

    def under(self, name: str) -> FloatArray:
        """Return the truth of one kind: ``axis``, ``mean`` or ``least``, shape (n,), mm."""
        return np.asarray(self.made.truth_columns()[f"true_{name}_mm"])[self.picked]


def changed(setup: Setup, seed: int, rows: int, **tables: Keys) -> Synthesis:
    """Return the clean signals on plates, with keys of the scenario's tables changed."""
    scenario = setup.with_walls(seed, rows)
    for name, keys in tables.items():
        table = dataclasses.replace(getattr(scenario, name), **keys)
        scenario = dataclasses.replace(scenario, **{name: table})
    return Synthesis(scenario)


def least_met_mm(made: Synthesis) -> FloatArray:
    """Return the least depth that the −6 dB footprint meets, shape (n,): wall or sheet."""
    footprint, depth = made.scenario.probe.footprint_mm, made.footprints.depth_mm
    # At its edge the weight is half of the middle's (a Gaussian beam).
    inside = made.footprints.weight >= 0.499 * made.footprints.weight.max()
    return np.asarray(depth[:, inside].min(axis=1) if footprint else depth.min(axis=1))


def signals(setup: Setup, difficulty: Difficulty, seed: int, rows: int) -> Signals:
    """Return waveforms, and pairs of bounds between which a reading of each is right.

    They are the least and the mean thickness under the footprint.
    """
    made = changed(
        setup, seed, rows, receiver=difficulty.receiver, stack=difficulty.stack,
        wall=difficulty.wall, probe=difficulty.probe,
    )  # fmt: skip
    rng = np.random.default_rng([seed, 5])
    pick = np.sort(rng.choice(len(made), min(rows, len(made)), replace=False))
    found = made.waveforms()[pick]
    if difficulty.codes is not None:
        found = difficulty.codes(found, rng)
    truth = made.truth_columns()
    right = np.stack([np.asarray(truth[f"true_{name}_mm"])[pick] for name in ("least", "mean")])
    least = right[0].copy()
    if "lamination" in difficulty.wall:
        # Either face is a reading, nothing between them is.
        right = np.repeat(made.footprints.depth_mm[pick].T, 2, axis=0)
        least = least_met_mm(made)[pick]
    if difficulty.codes is same_for_all:
        # The first of them is no repeat.
        right[:, 1:], least[1:] = np.nan, np.nan
    return Signals(made, pick, found, right, least)
