"""``ascan warm-up``: compile once, at set-up, what the commands would compile when first used."""

from __future__ import annotations

import argparse
import time

import numpy as np
from ascan_synthetic.scenario import parse_scenario
from ascan_synthetic.synthesis import Synthesis

from ascan.commands.shared import Bar, add_quiet, say
from ascan.commands.synth import synthetic_scan
from ascan.drafting.drafting import draft_procedure
from ascan.drafting.wishes import DualProbe, Wishes
from ascan.path.probe import ARRANGEMENTS
from ascan.waveform.recording import STORED_TYPES, recording_for
from ascan.waveform.scan import Scan
from ascan.waveform.shares import shares_of

EXAMPLE = "ascan warm-up"
# Kernels are compiled for the stored type of a sample.
USUAL = "int16"
STEPS_MM = (2.0, 3.0, 4.0, 5.0, 6.0)
START_US = {"contact": 0.0, "delay_line": 5.0, "immersion": 20.0, "dual": 2.0}
DUAL = DualProbe(8.0, 2.73, 3.5, 4.0, 8.0, 1.0)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument(
        "--dtype", choices=STORED_TYPES, action="append", help=f"types of samples (default {USUAL})"
    )
    add_quiet(parser)


def run(args: argparse.Namespace) -> None:
    """Draft on invented steps of every arrangement: that runs all that can be drafted."""
    began, types = time.monotonic(), args.dtype or [USUAL]
    todo = [(dtype, arrangement) for dtype in types for arrangement in ARRANGEMENTS]
    bar = Bar(args.quiet, "arrangements")
    for done, (dtype, arrangement) in enumerate(todo):
        bar(done, len(todo))
        scan = steps_of(arrangement, dtype)
        wishes = Wishes(
            arrangement=arrangement,
            element_diameter_mm=6.0 if arrangement != "dual" else None,
            dual=DUAL if arrangement == "dual" else None,
            component=scan,
        )
        draft_procedure(scan, scan.columns["true_axis_mm"], wishes)
    bar(len(todo), len(todo))
    spent = time.monotonic() - began
    say(args, [f"ready: what measures {', '.join(types)} samples is compiled ({spent:.0f} s)"])


def steps_of(arrangement: str, dtype: str) -> Scan:
    """Return invented records of steps, in a stored type."""
    steps = ", ".join(f"{step:g}" for step in STEPS_MM)
    scenario = parse_scenario(
        f'title = "steps"\nseed = 1\n[record]\nsamples = 3000\n'
        f"start_us = {START_US[arrangement]}\n"
        f'[probe]\narrangement = "{arrangement}"\n'
        f"[wall]\nsteps_mm = [{steps}]\nreadings = 3\n[receiver]\nnoise = 0.001\n"
    )
    scan = synthetic_scan(Synthesis(scenario))
    kind, recording = np.dtype(dtype), scan.recording
    own = recording_for(kind, sample_rate_mhz=recording.sample_rate_mhz)
    # Echoes stay within the codes of any type.
    codes = 0.9 * shares_of(scan, np.arange(len(scan))) * own.full_scale + own.zero_code
    return Scan.from_array(
        (codes if kind.kind == "f" else np.rint(codes)).astype(kind),
        sample_rate_mhz=recording.sample_rate_mhz,
        start_time_us=scan.start_time_us,
        columns=dict(scan.columns),
    )
