"""Measured waveforms, where they are: a step block in water, and a block under an array's elements.

    python benches/measured.py

The records are no part of this project. They are sought in `shared/real` beside its folder, or
where ASCAN_MEASURED says; where they are absent, the bench says so. Thicknesses are nominal,
without tolerance: claims are relative, from step to step and from element to element.

The steel block is calibrated on 10 and 25 mm, its 15 mm step is left out; echo to echo on 10 mm
alone: the interface echo's repeat covers the second echo of 25 mm. Every first one of 25 mm clips,
so that single echoes leave that step out. The aluminium block has one thickness, which teaches a
velocity, and 64 elements that have to agree.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from trial import Trial

from ascan import Calibration, Procedure, Scan, calibrate, measure
from ascan.base.errors import AscanError
from ascan.base.flags import Flag, is_fatal
from ascan.kernels.arrays import BoolArray, FloatArray
from ascan.results.readings import Readings

BESIDE = Path(__file__).resolve().parents[2] / "shared" / "real"
FOLDER = Path(os.environ.get("ASCAN_MEASURED", BESIDE))
STEEL = FOLDER / "step_block_steel_immersion_5mhz.npz"
ALUMINIUM = FOLDER / "block_aluminium_contact_5mhz.npz"
# A machined step without certificate: 0.02 mm, chosen.
U_STEP_MM = 0.02
# Elements are held against each other, not against the block.
U_BLOCK_MM = 0.001
GOALS_MM = {10.0: 0.03, 15.0: 0.03, 25.0: 0.15}
# From here on a notch in the far face lies under the elements.
NOTCH_MM, NOMINAL_MM = 3.75, 40.0

WATER = """
probe = { arrangement = "immersion", frequency_mhz = 5.0, delay_us = 0.5 }
BAND
interval = { mode = "MODE", gates = GATES }
[[gate]]
name = "surface"
start_us = 10.0
stop_us = 60.0
threshold = 0.25
SURFACE
[[gate]]
name = "wall"
follows = "surface"
start_mm = 5.0
stop_mm = 30.0
threshold = 0.04
echo = "largest"
WALL
"""
SECOND = """
[[gate]]
name = "second"
follows = "wall"
start_mm = 7.0
stop_mm = 30.0
threshold = 0.04
echo = "largest"
half_cycles = "same"
"""
ELEMENT = """
probe = { arrangement = "contact", frequency_mhz = 5.0 }
material = { name = "aluminium", velocity_mm_per_us = 6.32, u_velocity_mm_per_us = 0.05 }
BAND
interval = { mode = "echo_to_echo", gates = ["wall", "second"] }
[[gate]]
name = "wall"
start_us = 11.0
stop_us = 15.0
threshold = 0.05
echo = "largest"
TIMING
[[gate]]
name = "second"
follows = "wall"
start_mm = 36.0
stop_mm = 44.0
threshold = 0.02
echo = "largest"
half_cycles = "same"
TIMING
"""
BAND = 'filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }'
# The interface echo clips in most records: its flank is what is left of it.
POSITIVE, NEGATIVE = 'half_cycles = "positive"', 'half_cycles = "negative"'
MATCHED = '\ntiming = "correlation"'
FLANK = f'{NEGATIVE}\ntiming = {{ method = "first_crossing", level = 0.25 }}'


def in_water(mode: str, gates: str, words: tuple[str, str, str], more: str = "") -> Procedure:
    """Return a procedure whose gates follow the water path: its band, surface and wall in words."""
    filled = {"MODE": mode, "GATES": gates, "BAND": words[0], "SURFACE": words[1], "WALL": words[2]}
    text = WATER + more
    for word, value in filled.items():
        text = text.replace(word, value)
    return Procedure.from_text(text)


def on_elements(timing: str, band: str) -> Procedure:
    """Return the procedure of the array's elements with a timing method."""
    return Procedure.from_text(ELEMENT.replace("TIMING", timing).replace("BAND", band))


TO_ECHO, BETWEEN = '["surface", "wall"]', '["wall", "second"]'
# Procedure, and the steps that are calibrated on, in mm.
WATER_WAYS = {
    "surface to echo, flank and peak": (
        in_water("interface_to_echo", TO_ECHO, (BAND, FLANK, POSITIVE)), (10.0, 25.0),
    ),
    "surface to echo, peaks": (
        in_water("interface_to_echo", TO_ECHO, (BAND, NEGATIVE, POSITIVE)), (10.0, 25.0),
    ),
    "surface to echo, template": (
        in_water("interface_to_echo", TO_ECHO, ("", NEGATIVE + MATCHED, POSITIVE + MATCHED)),
        (10.0, 25.0),
    ),
    "whole record, surface by a trough": (
        in_water("whole_record", TO_ECHO, ("", f'{NEGATIVE}\necho = "largest"', "")), (10.0, 25.0),
    ),
    "whole record, surface by a crest": (
        in_water("whole_record", TO_ECHO, ("", f'{POSITIVE}\necho = "largest"', "")), (10.0, 25.0),
    ),
    "echo to echo, peaks": (
        in_water("echo_to_echo", BETWEEN, (BAND, FLANK, POSITIVE), SECOND), (10.0,),
    ),
}  # fmt: skip
ELEMENT_WAYS = {
    "echo to echo, peaks": on_elements("", BAND),
    "echo to echo, zero crossings": on_elements('timing = "zero_crossing"', BAND),
    "echo to echo, template": on_elements(MATCHED, ""),
}


def scan_in(path: Path, full: float) -> Scan:
    """Return a file's records with their clipping levels declared."""
    with np.load(path) as stored:
        return Scan.from_array(
            stored["waveforms"],
            sample_rate_mhz=float(stored["sample_rate_mhz"]),
            start_time_us=float(stored["start_time_us"]),
            full_scale=full,
            clip_low=-full,
            clip_high=full - 1.0,
            columns={"x_mm": stored["x_mm"]} if "x_mm" in stored else {},
        )


@dataclass(frozen=True)
class Water:
    """The steel step block, and how thick it is under each record."""

    scan: Scan
    true_mm: FloatArray

    @staticmethod
    def read() -> Water:
        """Read it."""
        with np.load(STEEL) as stored:
            return Water(scan_in(STEEL, 512.0), np.asarray(stored["checked_mm"], np.float64))


def flags_of(readings: Readings, rows: BoolArray) -> str:
    """Return which flags stand on rows, and how often."""
    counts = {
        str(flag.name).lower(): int((readings.flags[rows] & np.uint32(flag) != 0).sum())
        for flag in Flag
    }
    return ", ".join(f"{name} {count}" for name, count in counts.items() if count) or "none"


def sizes(off_mm: FloatArray) -> str:
    """Return least and most of errors in µm."""
    return f"{1e3 * off_mm.min():+.0f} … {1e3 * off_mm.max():+.0f}" if off_mm.size else "-"


def report_steps(name: str, block: Water) -> None:
    """Print a line for each step: errors, and what became of the readings."""
    procedure, steps = WATER_WAYS[name]
    known = np.where(np.isin(block.true_mm, steps), block.true_mm, np.nan)
    words = " and ".join(f"{step:g}" for step in steps)
    print(f"\nsteel in water, {name}; calibrated on {words} mm")
    try:
        fit = calibrate(block.scan, procedure, known, u_known_mm=U_STEP_MM)
    except AscanError as problem:
        print(f"  not calibrated: {problem}")
        return
    readings = measure(block.scan, procedure, fit)
    off, clean = readings.thickness_mm - block.true_mm, readings.flags == 0
    refused = is_fatal(readings.flags)
    print(f"  velocity {fit.velocity_mm_per_us:.4f} mm/µs; rows left out: {left_out(fit)}")
    print("   mm rows unmarked marked refused  within goal   unmarked µm      marked µm      flags")
    for step, goal in GOALS_MM.items():
        on, care = block.true_mm == step, (block.true_mm == step) & ~clean & ~refused
        print(
            f"{step:5g} {on.sum():4d} {(on & clean).sum():8d} {care.sum():6d} "
            f"{(on & refused).sum():7d} {(np.abs(off[on]) <= goal).sum():8d}      "
            f"{sizes(off[on & clean]):>14}  {sizes(off[care]):>14}  {flags_of(readings, on)}"
            f"{'' if step in steps else '   (left out)'}"
        )


def left_out(fit: Calibration) -> str:
    found = re.findall(r"row \d+ on (\S+) mm: (\w+)", str(fit.conditions.get("rows_left_out", "")))
    counts = Counter(f"{step} mm {why}" for step, why in found)
    return ", ".join(f"{what} {count}" for what, count in counts.items()) or "none"


def report_elements(name: str) -> None:
    """Print how well the array's elements agree, beside the notch and over it."""
    procedure, scan = ELEMENT_WAYS[name], scan_in(ALUMINIUM, 128.0)
    beside = scan.columns["x_mm"] < NOTCH_MM
    print(f"\naluminium in contact, {name}; calibrated on {beside.sum()} elements, 40 mm")
    try:
        fit = calibrate(
            scan, procedure, np.where(beside, NOMINAL_MM, np.nan), u_known_mm=U_BLOCK_MM
        )
    except AscanError as problem:
        print(f"  not calibrated: {problem}")
        return
    readings = measure(scan, procedure, fit)
    read, clean = readings.thickness_mm, readings.flags == 0
    middle = float(np.nanmedian(read[beside]))
    u_mm = readings.u_on_block_mm
    agree = np.abs(read - middle) <= 2.0 * u_mm
    spread = 1e3 * float(np.nanstd(read[beside]))
    print(
        f"  velocity {fit.velocity_mm_per_us:.4f} mm/µs, median {middle:.3f} mm, spread "
        f"{spread:.0f} µm, median u {1e3 * float(np.nanmedian(u_mm[beside])):.0f} µm"
    )
    for place, on in (("beside the notch", beside), ("over the notch", ~beside)):
        print(
            f"  {place}: {on.sum()} elements; within 2 u of the median and unmarked "
            f"{(on & agree & clean).sum()}, and marked {(on & agree & ~clean).sum()}; further off: "
            f"unmarked {(on & ~agree & clean & ~is_fatal(readings.flags)).sum()}, marked "
            f"{(on & ~agree & ~clean & ~is_fatal(readings.flags)).sum()}; refused "
            f"{(on & is_fatal(readings.flags)).sum()}; flags: {flags_of(readings, on)}"
        )


def of_steps(name: str, seed: int, rows: int) -> Iterator[Trial]:
    """Yield halves of the block measured by the other half; the step of 15 mm is always left out.

    ``seed`` and ``rows`` change nothing: there are 28 records. None where they are absent.
    """
    if not STEEL.is_file():
        return
    block, (procedure, steps) = Water.read(), WATER_WAYS[name]
    every = np.arange(len(block.scan))
    for half in (0, 1):
        taught = np.isin(block.true_mm, steps) & (every % 2 == half)
        on, rest = np.flatnonzero(taught), np.flatnonzero(~taught)
        true_mm = block.true_mm[rest]
        yield Trial(
            f"steel, {name}", procedure, block.scan.choose(on), block.true_mm[on],
            block.scan.choose(rest), true_mm, true_mm, true_mm, f"half {half + 1}",
        )  # fmt: skip


def of_elements(name: str, seed: int, rows: int) -> Iterator[Trial]:
    """Yield the elements beside the notch, each half by the other; none where they are absent."""
    if not ALUMINIUM.is_file():
        return
    scan = scan_in(ALUMINIUM, 128.0)
    beside = np.flatnonzero(scan.columns["x_mm"] < NOTCH_MM)
    for half in (0, 1):
        on, rest = beside[half::2], beside[1 - half :: 2]
        known, true_mm = np.full(on.size, NOMINAL_MM), np.full(rest.size, NOMINAL_MM)
        yield Trial(
            f"aluminium, {name}", ELEMENT_WAYS[name], scan.choose(on), known,
            scan.choose(rest), true_mm, true_mm, true_mm, f"half {half + 1}",
        )  # fmt: skip


def main() -> None:
    for path in (STEEL, ALUMINIUM):
        if not path.is_file():
            print(f"{path.name} is not in {path.parent}: nothing is said of it")
    if STEEL.is_file():
        block = Water.read()
        for name in WATER_WAYS:
            report_steps(name, block)
    if ALUMINIUM.is_file():
        for name in ELEMENT_WAYS:
            report_elements(name)


if __name__ == "__main__":
    main()
