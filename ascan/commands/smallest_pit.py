"""``ascan smallest-pit``: which pits a procedure would find, by signals of its kind."""

from __future__ import annotations

import argparse
import dataclasses
from dataclasses import dataclass

import numpy as np
from ascan_synthetic.synthesis import Synthesis
from ascan_synthetic.tables import ProbeTable, ReceiverTable, RecordTable, Scenario, WallTable

from ascan.base.errors import fault
from ascan.base.flags import is_fatal, is_marked
from ascan.calibration.record import Calibration
from ascan.commands.job_files import add_job_file
from ascan.commands.shared import (
    add_common,
    add_json,
    answer,
    check_outputs,
    need_library,
    numbers_of,
)
from ascan.commands.synth import synthetic_scan
from ascan.engine.measuring import measure
from ascan.kernels.arrays import BoolArray, FloatArray
from ascan.learning.calibrating import calibrate
from ascan.procedure.written import Procedure, load_procedure
from ascan.report.cautions import CAUTION
from ascan.report.detection import DPI, detection_figure
from ascan.report.picture import save_picture
from ascan.results.shown import length
from ascan.store.job import PROCEDURE
from ascan.survey.detection import Found, found_by_size

EXAMPLE = "ascan smallest-pit --procedure procedure.toml --wall-mm 10 --beam-mm 4 --pitch-mm 2"
SEED, RATE_MHZ, BITS, BLOCK_U_MM = 20261201, 100.0, 12, 0.005
KINDS = {"flat": "flat-bottomed", "round": "round"}
RINGS = 5
# Of the steps that stand in for the block, over the wall.
STEPS = (0.3, 0.5, 0.75, 1.0, 1.3)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add_job_file(parser, "--procedure", job=PROCEDURE, help="procedure (TOML)")
    parser.add_argument("--wall-mm", type=float, required=True, help="sound wall")
    parser.add_argument("--beam-mm", type=float, required=True, help="beam at the far side, −6 dB")
    parser.add_argument("--pitch-mm", type=float, required=True, help="distance of positions")
    parser.add_argument("--snr-db", type=float, default=30.0, help="echo over noise (default 30)")
    parser.add_argument("--depths-mm", default="", help="depths, such as 1,3; a fifth and half")
    parser.add_argument("--diameters-mm", default="", help="diameters; a quarter to 2.5 beams")
    parser.add_argument("--trials", type=int, default=30, help="pits of each size (default 30)")
    parser.add_argument(
        "--loss-mm", type=float, default=0.5, help="a reading so much thinner tells a pit"
    )
    parser.add_argument("-o", "--output", help="picture (.png, .svg, .pdf) to write")
    add_json(parser)
    add_common(parser)


def run(args: argparse.Namespace) -> None:
    """Simulate, read, count, fit."""
    check_outputs(args, [args.procedure], [(args.output, "picture")])
    if args.output:
        need_library("matplotlib", "cli", "--output")
    simulated = Simulated.of(load_procedure(args.procedure), args)
    sizes = _numbers(args.diameters_mm, np.geomspace(0.25, 2.5, 7) * args.beam_mm, "--diameters-mm")
    depths = _numbers(args.depths_mm, np.array([0.2, 0.5]) * args.wall_mm, "--depths-mm")
    if depths.max() >= args.wall_mm or sizes.min() <= 0.0 or depths.min() <= 0.0:
        raise fault("pits", f"of {depths.max():g} mm in {args.wall_mm:g} mm of wall")
    found: dict[str, Found] = {}
    measured: dict[str, Found] = {}
    for kind, told in KINDS.items():
        for depth in depths:
            name = f"{told}, {depth:g} mm deep"
            counts = np.array([simulated.hits(kind, float(size), float(depth)) for size in sizes])
            tries = np.full(sizes.size, simulated.trials)
            found[name] = found_by_size(sizes, counts[:, 0], tries)
            measured[name] = found_by_size(sizes, counts[:, 1], tries)
    false_calls = simulated.false_calls(float(np.median(sizes)))
    if args.output:
        title = f"{simulated.procedure.title}: {args.beam_mm:g} mm beam every {args.pitch_mm:g} mm"
        save_picture(
            detection_figure(found, title=title), args.output, dpi=DPI, replace=args.replace
        )
    data = {
        "found": {name: _data(one) for name, one in found.items()},
        "measured": {name: _data(one) for name, one in measured.items()},
        "false_calls": false_calls,
    }
    lines = _lines(args, found, measured, false_calls)
    # A job's page shows the lines beside its caution, if the procedure is still that one.
    data |= {"told": lines, "procedure": simulated.procedure.text}
    written = [f"written: {args.output}"] if args.output else []
    answer(args, data, [*lines, *written, CAUTION])


def _numbers(text: str, usual: FloatArray, place: str) -> FloatArray:
    if not text:
        return usual.round(2)
    return np.array(sorted(numbers_of(text, place)))


def _data(found: Found) -> dict[str, object]:
    size = found.size_90_95_mm
    return {
        "diameter_mm": found.size_mm.tolist(),
        "hits": found.hits.tolist(),
        "tries": found.tries.tolist(),
        "size_90_95_mm": size if np.isfinite(size) else None,
    }


@dataclass(frozen=True, eq=False, slots=True)
class Simulated:
    """A procedure bound to signals of its own kind: its probe, its path, a wall, a beam."""

    procedure: Procedure
    calibration: Calibration
    plain: Scenario
    wall_mm: float
    beam_mm: float
    pitch_mm: float
    loss_mm: float
    trials: int

    @classmethod
    def of(cls, procedure: Procedure, args: argparse.Namespace) -> Simulated:
        """Make signals for a procedure, and calibrate on a block of them.

        Raises
        ------
        AscanError
            A dual-element probe, whose beam is no disc; or no calibration of such signals.
        """
        if procedure.layout.is_dual:
            raise fault("smallest-pit", "is not worked out for dual-element probes")
        if min(args.wall_mm, args.beam_mm, args.pitch_mm, args.loss_mm) <= 0.0 or args.trials < 5:
            raise fault("smallest-pit", "has a size of 0 or fewer than 5 trials")
        plain = _scenario_of(procedure, args.wall_mm, args.snr_db)
        steps = np.repeat(np.array(STEPS) * args.wall_mm, 3)
        block = dataclasses.replace(plain, wall=WallTable(steps_mm=tuple(steps.tolist())))
        fit = calibrate(synthetic_scan(Synthesis(block)), procedure, steps, u_known_mm=BLOCK_U_MM)
        probe = dataclasses.replace(plain.probe, footprint_mm=args.beam_mm, footprint_rings=RINGS)
        return cls(
            procedure, fit, dataclasses.replace(plain, probe=probe), args.wall_mm, args.beam_mm,
            args.pitch_mm, args.loss_mm, args.trials,
        )  # fmt: skip

    def hits(self, kind: str, size_mm: float, depth_mm: float) -> tuple[int, int]:
        """Return how many pits of a size are found, and how many are measured."""
        told, least = self._patches(kind, size_mm, depth_mm)
        true_mm = self.wall_mm - depth_mm
        return int(told.sum()), int((np.abs(least - true_mm) <= self.loss_mm).sum())

    def false_calls(self, size_mm: float) -> float:
        """Return the share of sound patches that would be called a pit."""
        told, _ = self._patches("flat", size_mm, 0.0)
        return float(told.mean())

    def _patches(self, kind: str, size_mm: float, depth_mm: float) -> tuple[BoolArray, FloatArray]:
        """Return which patches are called a pit, and the least reading of each, shape (trials,).

        Each patch holds one pit in its middle, at a random place against the raster.
        """
        seed = SEED + int(1e3 * size_mm) + int(1e6 * depth_mm) + len(kind)
        rng = np.random.default_rng(seed)
        reach = 0.5 * (self.beam_mm + size_mm)
        across = 2 * int(np.ceil(reach / self.pitch_mm)) + 2
        side = int(np.ceil(np.sqrt(self.trials)))
        middle = (np.arange(side) * across + 0.5 * (across - 1)) * self.pitch_mm
        x, y = (grid.ravel()[: self.trials] for grid in np.meshgrid(middle, middle))
        x, y = (one + self.pitch_mm * rng.uniform(-0.5, 0.5, one.size) for one in (x, y))
        pits = tuple(
            {"kind": kind, "x_mm": float(a), "y_mm": float(b), "depth_mm": depth_mm,
             "width_mm": size_mm}
            for a, b in zip(x, y, strict=True)
        )  # fmt: skip
        wall = WallTable(
            columns=side * across, rows=side * across, pitch_mm=self.pitch_mm,
            nominal_mm=self.wall_mm, pit=pits if depth_mm else (),
        )  # fmt: skip
        made = Synthesis(dataclasses.replace(self.plain, seed=seed, wall=wall))
        scan = synthetic_scan(made)
        readings = measure(scan, self.procedure.on_block, self.calibration)
        at_x, at_y = (np.asarray(scan.columns[name]) for name in ("x_mm", "y_mm"))
        over = np.hypot(at_x[:, None] - x, at_y[:, None] - y) <= reach
        thin = readings.thickness_mm < self.wall_mm - self.loss_mm
        called = is_fatal(readings.flags) | is_marked(readings.flags) | thin
        least = np.where(over, np.nan_to_num(readings.thickness_mm, nan=np.inf)[:, None], np.inf)
        return np.asarray((called[:, None] & over).any(axis=0)), least.min(axis=0)


def _scenario_of(procedure: Procedure, wall_mm: float, snr_db: float) -> Scenario:
    """Return signals of a procedure's probe on its path, the interface echo within its gate."""
    probe, path_mm, start_us = procedure.probe, 0.0, 0.0
    if procedure.layout.interface:
        gate = procedure.gate(procedure.layout.interface)
        window = gate.window_us(0.0, probe.path_mm_per_us)
        middle_us = 0.5 * sum(window)
        path_mm = 0.5 * probe.path_mm_per_us * (middle_us - probe.delay_us)
        start_us = max(window[0] - 2.0, 0.0)
    elif probe.hears_interface:
        raise fault("smallest-pit", "needs a gate for the interface echo", remedy="add one")
    after_us = 2.0 * 3.0 * max(STEPS) * wall_mm / procedure.material.velocity_mm_per_us
    zero_us = probe.delay_us + 2.0 * path_mm / probe.path_mm_per_us
    samples = int(np.ceil(RATE_MHZ * (zero_us + after_us + 3.0 - start_us)))
    gain = 0.5
    return Scenario(
        seed=SEED,
        record=RecordTable(samples=samples, start_us=start_us, bits=BITS),
        probe=ProbeTable(
            arrangement=probe.arrangement, centre_mhz=probe.frequency_mhz,
            bandwidth=0.01 * probe.bandwidth_percent, delay_us=probe.delay_us,
            path_mm=path_mm or 12.0,
        ),
        receiver=ReceiverTable(gain=gain, noise=0.3 * gain * 10.0 ** (-snr_db / 20.0)),
    )  # fmt: skip


def _lines(
    args: argparse.Namespace,
    found: dict[str, Found],
    measured: dict[str, Found],
    false_calls: float,
) -> list[str]:
    out = [
        "simulated signals of this procedure's kind; the confidence is that of the simulation "
        "alone, not of probe, surface, corrosion or hand",
        f"found: a reading within reach is refused, marked, or {length(args.loss_mm)} thinner than "
        f"the sound {length(args.wall_mm)}; measured: the least is within {length(args.loss_mm)}",
        f"sound patches called a pit: {100.0 * false_calls:.0f} %",
    ]
    for name, one in found.items():
        shares = ", ".join(
            f"{size:g}: {hit}/{tried}"
            for size, hit, tried in zip(one.size_mm, one.hits, one.tries, strict=True)
        )
        sizes = [found_by.size_90_95_mm for found_by in (one, measured[name])]
        told = [
            length(size, 1) if np.isfinite(size) else "NOT REACHED by these sizes" for size in sizes
        ]
        out.append(f"{name}: found in 90 % at 95 % from {told[0]}; measured so from {told[1]}")
        out.append(f"  found by diameter: {shares}")
    return out
