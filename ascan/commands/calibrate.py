"""``ascan calibrate``: from waveforms on known steps to a calibration file."""

from __future__ import annotations

import argparse

import numpy as np

from ascan.base.errors import fault
from ascan.base.given import written_text
from ascan.calibration.conditions import Conditions
from ascan.calibration.record import Calibration
from ascan.commands.job_files import add_job_file
from ascan.commands.shared import add_common, add_steps, check_outputs, known_of, say
from ascan.engine.measuring import measure
from ascan.kernels.arrays import FloatArray
from ascan.learning.calibrating import calibrate
from ascan.learning.component import calibrate_component
from ascan.path.direct import interval_us, thickness_mm
from ascan.procedure.written import Procedure, load_procedure
from ascan.report.cautions import CAUTION
from ascan.results.readings import Reading
from ascan.results.shown import length
from ascan.store import schema
from ascan.store.calibrations import load_calibration, save_calibration
from ascan.store.job import CALIBRATION, PROCEDURE
from ascan.store.scans import open_scan
from ascan.waveform.flat_tops import flat_tops
from ascan.waveform.scan import Scan

EXAMPLE = (
    "ascan calibrate block.npz --procedure wall.toml --step 5=0-4 --step 10=5-9 -o calibration.h5"
)


FEW = 40


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("scan", help="waveforms of the step block")
    add_job_file(parser, "--procedure", job=PROCEDURE, help="procedure (TOML)")
    add_steps(parser)
    parser.add_argument(
        "--block-u-mm",
        type=float,
        metavar="MM",
        help="standard uncertainty of the steps; without it, the tolerance of an ISO 16946 wedge",
    )
    parser.add_argument(
        "--block-common-u-mm",
        type=float,
        default=0.0,
        metavar="MM",
        help="standard uncertainty of an error that all steps share, of the certificate for one",
    )
    parser.add_argument(
        "--conditions", metavar="FILE", help="block, probe, couplant, operator ... (TOML), kept"
    )
    parser.add_argument(
        "--on",
        metavar="FILE",
        help="a calibration made on the block: its zero stays, and the one step given is a spot of "
        "the component, which gives the velocity there",
    )
    parser.add_argument(
        "--against", metavar="FILE", help="an earlier calibration of this probe: show the drift"
    )
    add_job_file(parser, "-o", "--output", job=CALIBRATION, help="calibration file to write")
    add_common(parser)


def run(args: argparse.Namespace) -> None:
    """Fit, save, and print the calibration."""
    inputs = [args.scan, args.procedure, args.conditions, args.on, args.against]
    check_outputs(args, inputs, [(args.output, schema.CALIBRATION)])
    scan, procedure = open_scan(args.scan), load_procedure(args.procedure)
    earlier = load_calibration(args.against) if args.against else None
    known = known_of(scan, args)
    say(args, [f"of the scan, {line}" for line in flat_tops(scan).lines()])
    calibration = _calibration(args, scan, procedure, known)
    save_calibration(calibration, args.output, replace=args.replace)
    say(args, [f"calibration {args.output}", *calibration.lines()])
    if earlier is not None:
        say(args, _drift(earlier, calibration))
    used = np.flatnonzero(~np.isnan(known))
    if used.size <= FEW:
        how = procedure if args.on else procedure.on_block
        readings = measure(scan.choose(used.tolist()), how, calibration)
        each = zip(used.tolist(), readings, strict=True)
        lines = [_off(row, reading, float(known[row])) for row, reading in each]
        say(args, ["each reading, and how far from its step:", *lines])
    say(args, [CAUTION])


def _calibration(
    args: argparse.Namespace, scan: Scan, procedure: Procedure, known: FloatArray
) -> Calibration:
    """Calibrate on the steps, or carry a calibration over to the component."""
    if args.on is None:
        conditions = None
        if args.conditions:
            conditions = Conditions.from_text(written_text(args.conditions), args.conditions)
        return calibrate(
            scan,
            procedure,
            known,
            u_known_mm=args.block_u_mm,
            u_common_mm=args.block_common_u_mm,
            conditions=conditions,
        )
    rows = np.flatnonzero(~np.isnan(known))
    if np.unique(known[rows]).size != 1 or args.block_u_mm is None:
        raise fault("--on", "needs one --step, the spot of the component, and --block-u-mm, its u")
    return calibrate_component(
        scan.choose(rows.tolist()),
        procedure,
        load_calibration(args.on),
        float(known[rows[0]]),
        u_known_mm=args.block_u_mm,
    )


def _drift(earlier: Calibration, later: Calibration) -> list[str]:
    """Return how zero and velocity have changed; nothing is corrected by it."""
    zero, velocity = later.zero_us - earlier.zero_us, later.velocity_mm_per_us
    at_mm = 0.5 * (later.minimum_mm + later.maximum_mm)
    before = interval_us(at_mm, earlier.zero_us, earlier.velocity_mm_per_us)
    moved = thickness_mm(before, later.zero_us, velocity) - at_mm
    return [
        f"since {earlier.conditions.get('made', 'the earlier one')}: zero {zero:+.5f} µs, velocity "
        f"{velocity - earlier.velocity_mm_per_us:+.5f} mm/µs; what read {length(at_mm)} then reads "
        f"{length(moved, 4, sign=True)} more now (wear and temperature of the probe; shown, "
        "not corrected)"
    ]


def _off(row: int, reading: Reading, known_mm: float) -> str:
    miss = reading.thickness_mm - known_mm
    told = "not read" if np.isnan(miss) else length(miss, sign=True)
    return f"row {row:>4}  on {length(known_mm)}  {told:<10}  {reading}"
