"""The whole record on other pulses: centre, bandwidth, phase, sample rate and bits.

    python benches/pulses.py [ROWS] [SEED]

A delay line as in `whole_record.py`, one thing changed at a time; each pulse calibrated on a block
of its own. Micrometres and ratios only, no wall time.
"""

from __future__ import annotations

import dataclasses
import sys
from typing import Any

import numpy as np
from ascan_synthetic.synthesis import Synthesis
from whole_record import READINGS, STEPS_MM, U_STEP_MM, WALL_HEIGHT, layered, plates, scan_of, told

from ascan import Procedure, calibrate, measure
from ascan.base.errors import AscanError

# What is changed; the noise is 40 dB below the first back-wall echo.
PROBES = (
    *({"phase_deg": phase} for phase in (0.0, 45.0, 90.0, 135.0, 180.0, 270.0)),
    *({"bandwidth": width} for width in (0.3, 0.4, 0.8, 1.0)),
    {"pulse": "causal"},
    {"pulse": "causal", "order": 2, "phase_deg": 90.0},
    *({"centre_mhz": centre} for centre in (2.25, 3.5, 7.5, 10.0)),
)
RECORDS = (
    {"sample_rate_mhz": 40.0},
    {"sample_rate_mhz": 50.0},
    {"sample_rate_mhz": 200.0},
    {"bits": 8},
    {"bits": 10},
)


def procedure(centre_mhz: float) -> Procedure:
    """Return the delay line's, for a probe of this frequency."""
    text = layered().text.replace("frequency_mhz = 5.0", f"frequency_mhz = {centre_mhz:g}")
    return Procedure.from_text(text)


def run(rows: int, seed: int, probe: dict[str, Any], record: dict[str, Any]) -> None:
    """Print one line."""
    centre = probe.get("centre_mhz", 5.0)
    least = 0.8 * 5.0 / centre
    how = procedure(centre)

    def changed(seed: int, **walls: object) -> Synthesis:
        made = plates(seed, noise=WALL_HEIGHT / 100.0, **walls)
        samples = int(made.record.samples * record.get("sample_rate_mhz", 100.0) / 100.0)
        return Synthesis(
            dataclasses.replace(
                made,
                probe=dataclasses.replace(made.probe, **probe),
                record=dataclasses.replace(made.record, samples=samples, **record),
            )
        )

    steps = np.maximum(STEPS_MM, 1.25 * least)
    block = changed(seed, steps_mm=tuple(steps), readings=READINGS)
    known = np.asarray(block.truth_columns()["true_mean_mm"])
    walls = changed(seed + 1, uniform_mm=(least, 20.0), count=rows)
    name = ", ".join(f"{key} {value}" for key, value in (probe | record).items())
    try:
        fit = calibrate(scan_of(block), how, known, u_known_mm=U_STEP_MM)
    except AscanError as problem:
        print(f"{name}: {problem}")
        return
    told(name, measure(scan_of(walls), how, fit), np.asarray(walls.truth_columns()["true_mean_mm"]))


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    print(f"{'':<44} refused  care % gross  rms µm   most µm    bias   err/u  in 95")
    for k, each in enumerate(PROBES):
        run(count, first + 10 * k, each, {})
    for k, each in enumerate(RECORDS):
        run(count, first + 1000 + 10 * k, {}, each)
