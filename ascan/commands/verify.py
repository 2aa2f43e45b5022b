"""``ascan verify``: the engine against signals whose truth is known, figures beside limits."""

from __future__ import annotations

import argparse
import dataclasses
import hashlib
import html
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from ascan_synthetic.synthesis import Synthesis
from ascan_synthetic.tables import ProbeTable, ReceiverTable, RecordTable, Scenario, WallTable

from ascan.base.errors import fault
from ascan.base.flags import is_marked
from ascan.calibration.record import Calibration
from ascan.commands.shared import Bar, add_common, add_json, answer, check_outputs
from ascan.commands.synth import synthetic_scan
from ascan.engine.measuring import measure
from ascan.kernels.arrays import FloatArray
from ascan.learning.calibrating import calibrate
from ascan.procedure.written import Procedure
from ascan.report.cautions import CAUTION
from ascan.results.readings import Readings
from ascan.store.provenance import software
from ascan.store.replacing import whole_file

EXAMPLE = "ascan verify -o verification.html"
SEED = 20261126
BLOCK_U_MM = 0.001
STEPS_MM = (3.0, 6.0, 12.0, 20.0)
# An eighth of a wavelength: further off, another half-cycle or echo was timed.
EIGHTH_MM = 5.92 / 5.0 / 8.0
BEAM_MM, PITCH_MM, PIT_MM, NOMINAL_MM = 3.0, 1.0, 3.0, 9.0
GATES = """
[[gate]]
name = "surface"
start_us = 18.0
stop_us = 23.0
threshold = 0.004
half_cycles = "positive"
[[gate]]
name = "wall"
follows = "surface"
start_mm = 2.0
stop_mm = 24.0
threshold = 0.001
echo = "largest"
half_cycles = "negative"
timing = "correlation"
"""
FIRST = GATES.replace('threshold = 0.001\necho = "largest"', "threshold = 0.01")
PROBE = """
probe = { arrangement = "delay_line", frequency_mhz = 5.0, delay_us = 0.35 }
filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }
"""
DIRECT = f'{PROBE}interval = {{ mode = "interface_to_echo", gates = ["surface", "wall"] }}{GATES}'
BETWEEN = f"""{PROBE}interval = {{ mode = "echo_to_echo", gates = ["wall", "second"] }}
{FIRST}
[[gate]]
name = "second"
follows = "wall"
start_mm = 1.5
stop_mm = 24.0
threshold = 0.005
half_cycles = "negative"
timing = "correlation"
"""
WHOLE = """
probe = { arrangement = "delay_line", frequency_mhz = 5.0, delay_us = 0.35 }
interval = { mode = "whole_record", gates = ["surface", "wall"] }
""" + GATES.replace("start_mm = 2.0", "start_mm = 0.4")
FIGURES = 8


@dataclass(frozen=True, slots=True)
class Figure:
    """One line of the sheet: what was found, and the most it may be."""

    name: str
    found: float
    most: float
    unit: str

    @property
    def passes(self) -> bool:
        """Whether the limit is kept."""
        return bool(self.found <= self.most)

    def line(self) -> str:
        """Return the line as text."""
        verdict = "within" if self.passes else "BEYOND"
        return f"{self.name:<58}{self.found:>10.4g}{self.most:>10.4g} {self.unit:<6}{verdict}"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("-o", "--output", help="also write the sheet as one HTML page")
    add_json(parser)
    add_common(parser)


def run(args: argparse.Namespace) -> None:
    """Run all, print the sheet, and end with a fault where a limit is not kept."""
    check_outputs(args, [], [(args.output, "HTML")])
    figures, bar = [], Bar(args.quiet, "figures")
    for figure in found():
        figures.append(figure)
        bar(len(figures), FIGURES)
    lines = [f"{'':<58}{'found':>10}{'at most':>10}", *(figure.line() for figure in figures)]
    versions = ", ".join(f"{name} {version}" for name, version in sorted(software().items()))
    digest = hashlib.sha256("\n".join([*lines, versions]).encode()).hexdigest()
    lines += [f"versions: {versions}", f"digest of this sheet: {digest}"]
    lines.append("limits are this program's own, on signals made for it; no instrument was tested")
    if args.output:
        page = "\n".join(html.escape(line) for line in [*lines, CAUTION])
        with whole_file(args.output, replace=args.replace) as part:
            Path(part).write_text(
                '<!doctype html><html lang="en"><meta charset="utf-8"><title>Verification</title>'
                f"<h1>The engine against known signals</h1><pre>{page}</pre></html>\n",
                encoding="utf-8",
            )
    answer(args, {"figures": figures, "versions": versions, "digest": digest}, [*lines, CAUTION])
    beyond = [figure.name for figure in figures if not figure.passes]
    if beyond:
        raise fault("verify", f"found beyond their limits: {'; '.join(beyond)}")


def found() -> Iterator[Figure]:
    """Yield every figure."""
    direct, between, whole = (Bound.of(text) for text in (DIRECT, BETWEEN, WHOLE))
    walls = np.linspace(3.0, 20.0, 120)
    readings = direct.read(scenario(walls, noise=0.0))
    line = np.polyfit(walls, readings.thickness_mm, 1)
    off = readings.thickness_mm - np.polyval(line, walls)
    yield Figure("time linearity, 3 to 20 mm: off a straight line", _most(off), 0.01, "mm")
    for bits, fall_db in ((8, 20), (12, 40)):
        yield Figure(
            f"{bits} bit, gain lowered by {fall_db} dB: reading moves",
            gain_change(direct, bits, fall_db),
            3.0,
            "u",
        )
    many = direct.read(scenario(np.full(2000, 8.3), noise=0.0014))
    ratio = float(np.std(many.thickness_mm) / np.median(many.columns["u_random_mm"]))
    yield Figure("repeatability at 34 dB: spread over the u stated", ratio, 1.1, "")
    pairs = [bound.read(scenario(walls)) for bound in (direct, between)]
    apart = pairs[0].thickness_mm - pairs[1].thickness_mm
    u = np.hypot(pairs[0].u_mm, pairs[1].u_mm)
    yield Figure("echo to echo against direct: largest difference", _most(apart / u), 4.0, "u")
    thin = np.arange(0.5, 6.0, 0.05)
    yield Figure(
        "two echoes resolved, single echoes: wall from which all is right",
        smallest(between.read(scenario(thin)), thin),
        3.0,
        "mm",
    )
    yield Figure(
        "smallest wall, whole record: from which all is right",
        smallest(whole.read(scenario(thin)), thin),
        1.0,
        "mm",
    )
    yield Figure(
        f"smallest flat pit found, {BEAM_MM:g} mm beam, {PITCH_MM:g} mm pitch: diameter",
        smallest_pit(direct),
        BEAM_MM,
        "mm",
    )


@dataclass(frozen=True, eq=False, slots=True)
class Bound:
    """A procedure with its calibration on a clean block."""

    procedure: Procedure
    calibration: Calibration

    @classmethod
    def of(cls, text: str) -> Bound:
        """Calibrate."""
        procedure, steps = Procedure.from_text(text), np.repeat(STEPS_MM, 4)
        fit = calibrate(
            synthetic_scan(Synthesis(scenario(steps))), procedure, steps, u_known_mm=BLOCK_U_MM
        )
        return cls(procedure, fit)

    def read(self, signals: Scenario) -> Readings:
        """Measure a scenario."""
        return measure(synthetic_scan(Synthesis(signals)), self.procedure, self.calibration)


def scenario(
    walls_mm: FloatArray, noise: float = 0.0007, gain: float = 0.5, bits: int = 14
) -> Scenario:
    """Return plates behind a delay line that repeats after all echoes that are used."""
    return Scenario(
        seed=SEED,
        record=RecordTable(samples=2000, start_us=18.0, bits=bits),
        probe=ProbeTable(arrangement="delay_line", path_mm=26.0, delay_us=0.35),
        wall=WallTable(steps_mm=tuple(np.asarray(walls_mm).tolist())),
        receiver=ReceiverTable(gain=gain, noise=noise),
    )


def gain_change(bound: Bound, bits: int, fall_db: float) -> float:
    """Return the most that readings move when the gain falls, over their combined u.

    The wall's echo is near full scale before, and the noise falls with the gain.
    """
    walls = np.linspace(4.0, 12.0, 60)
    high = bound.read(scenario(walls, 1e-4, 1.5, bits))
    fall = 10.0 ** (-fall_db / 20.0)
    low = bound.read(scenario(walls, 1e-4 * fall, 1.5 * fall, bits))
    return _most((low.thickness_mm - high.thickness_mm) / np.hypot(low.u_mm, high.u_mm))


def smallest(readings: Readings, walls_mm: FloatArray) -> float:
    """Return the wall from which on every reading is there and right."""
    wrong = ~(np.abs(readings.thickness_mm - walls_mm) < EIGHTH_MM)
    return float(walls_mm[np.flatnonzero(wrong)[-1] + 1]) if wrong.any() else float(walls_mm[0])


def smallest_pit(bound: Bound) -> float:
    """Return the diameter from which on a flat pit's depth is read, or its place is marked."""
    found_from = np.inf
    for width in np.arange(6.0, 0.9, -0.5):
        pit = {"kind": "flat", "x_mm": 5.0, "y_mm": 5.0, "depth_mm": PIT_MM, "width_mm": width}
        raster = WallTable(
            columns=11, rows=11, pitch_mm=PITCH_MM, nominal_mm=NOMINAL_MM, pit=(pit,)
        )
        plain = scenario(np.ones(1))
        probe = dataclasses.replace(plain.probe, footprint_mm=BEAM_MM)
        readings = bound.read(dataclasses.replace(plain, wall=raster, probe=probe))
        reached = np.nanmin(readings.thickness_mm) < NOMINAL_MM - PIT_MM + EIGHTH_MM
        if not (reached or is_marked(readings.flags).any()):
            break
        found_from = float(width)
    return found_from


def _most(values: FloatArray) -> float:
    """Return the largest size; a value that is missing is beyond every limit."""
    return float(np.abs(values).max()) if np.isfinite(values).all() else np.inf
