"""``ascan compare``: timing methods side by side, on a scenario or on real steps."""

from __future__ import annotations

import argparse
import csv
import dataclasses
import importlib.util
import io
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from ascan_synthetic.scenario import named_scenarios
from ascan_synthetic.synthesis import Synthesis

from ascan.base.errors import fault
from ascan.commands.shared import add_common, add_json, add_steps, answer, check_outputs, known_of
from ascan.commands.synth import synthesis_of
from ascan.kernels.arrays import FloatArray
from ascan.procedure.written import Procedure, load_procedure
from ascan.report.cautions import CAUTION
from ascan.report.comparison import draw_comparison
from ascan.results.compared import Cell, StepCell
from ascan.store.replacing import whole_file
from ascan.store.scans import open_scan
from ascan.study.comparing import Signals, compare_methods, compare_on_steps, with_method
from ascan.timing.protocol import METHODS, method_from_table, register

EXAMPLE = (
    "ascan compare clean_plate --procedure plate.toml --method peak --method correlation\n"
    "  ascan compare block.npz --procedure wall.toml --method peak --step 5=0-4 --step 10=5-9"
)
USUAL_SNR = "14,24,34,44,54"
CLEAN_BITS = 16
ON_STEPS = "These steps alone: a component's surface, temperature and velocity are not in them."
LIMITS = (
    "waveforms: those without a flag where there is no noise; gross: off by another half-cycle or "
    "echo; flagged: with any flag; over bound: spread over the least that any method can reach "
    "with the pulse's shape known, phase-free: with its phase not known; pattern: peak to peak "
    "without noise, by the place between samples and, where echoes diffract, by depth; error/u: "
    "spread of the error over the u stated. "
    "White noise alone: no grain, roughness, tilt, couplant or diffraction. On a real wall these, "
    "and the velocity, decide; a spread far below a micrometre is no accuracy."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument(
        "source",
        help="a scenario (TOML file or name), or a scan with --step or --known-column",
    )
    parser.add_argument("--procedure", required=True, help="procedure (TOML) with gates and filter")
    parser.add_argument(
        "--method",
        action="append",
        required=True,
        metavar="NAME[:KEY=VALUE,...]",
        help=f"timing method, such as first_crossing:peak_fraction=0.5; {', '.join(METHODS)}; or "
        "one of your own, as my_module:MyMethod, from a file in this folder",
    )
    parser.add_argument("--snr-db", default=USUAL_SNR, help=f"default {USUAL_SNR}")
    parser.add_argument("--seed", type=int, default=1, help="of the noise (default 1)")
    add_steps(parser)
    parser.add_argument("--block-u-mm", type=float, metavar="MM", help="as for ascan calibrate")
    parser.add_argument("--csv", help="table (.csv) to write")
    parser.add_argument("--picture", help="picture to write, of a scenario's table")
    add_json(parser)
    add_common(parser)


def run(args: argparse.Namespace) -> None:
    """Compare, print the table, and write what was asked for."""
    on_steps = bool(args.step or args.known_column)
    if args.picture and on_steps:
        raise fault("--picture", "is drawn of a scenario only", remedy="leave it out, or --step")
    if args.picture and importlib.util.find_spec("matplotlib") is None:
        raise fault("--picture", "needs matplotlib", remedy="pip install 'ascan[cli]'")
    outputs = [(args.csv, "CSV"), (args.picture, "picture")]
    check_outputs(args, [args.source, args.procedure], outputs)
    if args.seed < 0:
        raise fault("--seed", f"is {args.seed}", allowed="0 or above")
    procedure = load_procedure(args.procedure)
    procedures = {text: with_method(procedure, _method(text)) for text in args.method}
    if on_steps:
        scan = open_scan(args.source)
        steps = compare_on_steps(scan, procedures, known_of(scan, args), args.block_u_mm)
        rows: Sequence[Cell | StepCell] = steps
        lines = _step_lines(steps)
    else:
        cells = compare_methods(
            _signals(args.source, procedure), procedures, _ratios(args.snr_db), args.seed
        )
        rows, lines = cells, _lines(cells)
        if args.picture:
            draw_comparison(cells, args.picture, replace=args.replace)
    if args.csv:
        _write_csv(rows, args.csv, args.replace)
    answer(args, list(rows), [*lines, ON_STEPS if on_steps else LIMITS, CAUTION])


def _method(text: str) -> Any:
    """Return the timing method of ``name`` or ``name:key=value,key=value``.

    ``module:Class`` is a method of one's own; its options follow a second colon.
    """
    name, colon, options = text.partition(":")
    own, more, rest = options.partition(":")
    if name not in METHODS and own.isidentifier():
        sys.path.insert(0, "")
        register(f"{name}:{own}", f"{name}:{own}")
        name, colon, options = f"{name}:{own}", more, rest
    table: dict[str, Any] = {"method": name.strip()}
    for option in options.split(",") if colon else []:
        key, equals, value = option.partition("=")
        if not equals:
            raise fault("--method", f"is '{text}'", allowed="NAME or NAME:KEY=VALUE,...")
        try:
            table[key.strip()] = float(value)
        except ValueError:
            table[key.strip()] = value.strip()
    return method_from_table(table, "--method")


def _ratios(text: str) -> list[float]:
    try:
        ratios = [float(part) for part in text.split(",")]
    except ValueError:
        ratios = []
    if not ratios or not all(-20.0 <= ratio <= 120.0 for ratio in ratios):
        raise fault("--snr-db", f"is '{text}'", allowed="numbers of -20 to 120 dB, as 14,34,54")
    return ratios


def _signals(source: str, procedure: Procedure) -> Signals:
    """Return a scenario's waveforms without the receiver's noise, and their true intervals."""
    if Path(source).suffix.lower() in (".h5", ".npz") or not (
        Path(source).exists() or source in named_scenarios()
    ):
        raise fault(
            source,
            "is a scan" if Path(source).exists() else "is neither a file nor a known scenario",
            allowed=f"a scenario file, {', '.join(named_scenarios())}, or a scan with --step",
        )
    made = synthesis_of(source).scenario
    if made.probe.arrangement != procedure.probe.arrangement:
        raise fault(
            source,
            f"is of the probe arrangement '{made.probe.arrangement}', the procedure of "
            f"'{procedure.probe.arrangement}'",
            remedy="name a scenario or a procedure of the other kind",
        )
    quiet = dataclasses.replace(
        made,
        record=dataclasses.replace(made.record, bits=CLEAN_BITS, zero_code=0),
        receiver=dataclasses.replace(made.receiver, noise=0.0),
    )
    synthesis = Synthesis(quiet)
    truth: FloatArray | None = None
    if not (procedure.probe.is_dual or made.receiver.jitter_ns):
        truth = 2.0 * synthesis.footprints.truth.axis_mm / _velocity(synthesis)
    return Signals(
        clean=synthesis.waveforms() / synthesis.full_scale,
        true_us=truth,
        sample_rate_mhz=made.record.sample_rate_mhz,
        start_us=made.record.start_us,
        bits=made.record.bits,
    )


def _velocity(synthesis: Any) -> float:
    return float(synthesis.response.plate.wall.velocity_mm_per_us)


def _lines(cells: Sequence[Cell]) -> list[str]:
    width = max(len(cell.method) for cell in cells)
    out = [
        f"{'method':<{width}}  SNR dB  waveforms  no time  gross %  flagged %  bias ns  "
        "spread ns  over bound  phase-free  pattern ns  error/u  in 95 %"
    ]
    out += [
        f"{c.method:<{width}}  {c.snr_db:6.1f}  {c.rows:9d}  {c.rows - c.timed:7d}  "
        f"{100.0 * c.gross / c.rows:7.3f}  {100.0 * c.flagged / c.rows:9.2f}  {c.bias_ns:+7.3f}  "
        f"{c.spread_ns:9.4f}  {c.over_bound:10.3f}  {c.over_phase_free:10.3f}  "
        f"{c.pattern_ns:10.4f}  {c.error_over_u:7.3f}  {100.0 * c.covered:7.1f}"
        for c in cells
    ]
    return out


def _step_lines(cells: Sequence[StepCell]) -> list[str]:
    width = max(len(cell.method) for cell in cells)
    out = [f"{'method':<{width}}  step mm  rows  refused  clean  error µm  spread µm   u µm"]
    out += [
        f"{c.method:<{width}}  {c.step_mm:7g}  {c.rows:4d}  {c.refused:7d}  {c.clean:5d}  "
        + (f"{c.mean_error_um:+8.1f}  {c.spread_um:9.2f}  {c.mean_u_um:5.1f}" if c.clean else "")
        for c in cells
    ]
    return [
        *out,
        "error, spread and u: of clean readings (no flag), read back with the calibration that "
        "was fitted to them",
    ]


def _write_csv(cells: Sequence[Cell | StepCell], path: str, replace: bool) -> None:
    text = io.StringIO()
    writer = csv.writer(text)
    names = [field.name for field in dataclasses.fields(cells[0])]
    writer.writerow(names)
    for cell in cells:
        values = (getattr(cell, name) for name in names)
        writer.writerow(["" if isinstance(v, float) and np.isnan(v) else v for v in values])
    with whole_file(path, replace=replace) as part:
        Path(part).write_text(text.getvalue(), encoding="utf-8")
