"""The material's velocity, freed of diffraction, against the truth on three arrangements.

    python benches/material_velocity.py [TRIALS] [SEED]

Steps of 3 to 20 mm whose errors are drawn as their u says (5 µm), three records each at 40 dB; a
round element of 5 to 8 mm, stated nominally (its effective diameter is drawn, 3 % about that);
steel of 5.85 to 5.98 mm/µs. The effective velocity, which the times show, stands beside it.
"""

from __future__ import annotations

import sys

import numpy as np
from ascan_synthetic.synthesis import Synthesis
from ascan_synthetic.tables import (
    ProbeTable,
    ReceiverTable,
    RecordTable,
    Scenario,
    StackTable,
    WallTable,
)
from faults import scan_of

from ascan import Procedure, calibrate

STEPS_MM, U_STEP_MM, READINGS, NOISE = (3.0, 5.0, 8.0, 12.0, 20.0), 0.005, 3, 0.003
SPREAD, WIDE_MM, STEEL_MM_PER_US = 0.03, (5.0, 8.0), (5.85, 5.98)
PROBE = (
    'probe = { arrangement = "ARRANGEMENT", frequency_mhz = 5.0, delay_us = 0.35, '
    "element_diameter_mm = WIDE }"
)
HEAD = """
material = { velocity_mm_per_us = 5.92, u_velocity_mm_per_us = 0.05 }
filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }
"""
WALL = """
[[gate]]
name = "wall"
GATE
threshold = 0.015
half_cycles = "negative"
"""
CONTACT = (
    """
PROBE
interval = { mode = "time_zero_to_echo", gates = ["wall"] }
"""
    + HEAD
    + WALL.replace("GATE", "start_mm = 2.0\nstop_mm = 22.0")
)
INTERFACE = (
    """
PROBE
interval = { mode = "interface_to_echo", gates = ["front", "wall"] }
"""
    + HEAD
    + """
[[gate]]
name = "front"
start_us = START
stop_us = STOP
threshold = 0.02
half_cycles = "positive"
"""
    + WALL.replace("GATE", 'follows = "front"\nstart_mm = 1.5\nstop_mm = 22.0')
)
ARRANGEMENTS = {
    "contact": CONTACT.replace("PROBE", PROBE).replace("ARRANGEMENT", "contact"),
    "delay_line": INTERFACE.replace("PROBE", PROBE)
    .replace("ARRANGEMENT", "delay_line")
    .replace("START", "8.0")
    .replace("STOP", "11.0"),
    "immersion": INTERFACE.replace("PROBE", PROBE)
    .replace("ARRANGEMENT", "immersion")
    .replace("START", "14.0")
    .replace("STOP", "19.0"),
}


def trial(arrangement: str, rng: np.random.Generator) -> tuple[float, float, float, float]:
    """Return truth, effective velocity, and the material's with its u, all mm/µs."""
    velocity, wide = float(rng.uniform(*STEEL_MM_PER_US)), float(rng.uniform(*WIDE_MM))
    true_mm = np.array(STEPS_MM) + U_STEP_MM * rng.standard_normal(len(STEPS_MM))
    effective = wide * (1.0 + SPREAD * rng.standard_normal())
    made = Synthesis(
        Scenario(
            seed=int(rng.integers(2**31)),
            record=RecordTable(samples=3000, bits=14),
            probe=ProbeTable(
                arrangement=arrangement, delay_us=0.35, path_mm=12.0, radius_mm=0.5 * effective
            ),
            stack=StackTable(wall_velocity_mm_per_us=velocity, attenuation_db_per_mm=0.0),
            receiver=ReceiverTable(gain=0.5, noise=NOISE),
            wall=WallTable(steps_mm=tuple(true_mm), readings=READINGS),
        )
    )
    under = np.asarray(made.truth_columns()["true_mean_mm"])
    known = np.array(STEPS_MM)[np.abs(under[:, None] - np.array(STEPS_MM)).argmin(axis=1)]
    how = Procedure.from_text(ARRANGEMENTS[arrangement].replace("WIDE", f"{wide:.3f}"))
    fit = calibrate(scan_of(made, made.waveforms()), how, known, u_known_mm=U_STEP_MM)
    told = fit.conditions["material_velocity"].replace(",", "").split()
    return velocity, fit.velocity_mm_per_us, float(told[0]), float(told[3])


def main() -> None:
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    print(f"{trials} trials each, seed {seed}; errors in m/s")
    print("arrangement   effective: rms, in 95 %    material: rms, in 95 %, median u")
    for name in ARRANGEMENTS:
        rng = np.random.default_rng([seed, len(name)])
        done = np.array([trial(name, rng) for _ in range(trials)])
        off, own = 1e3 * (done[:, 1] - done[:, 0]), 1e3 * (done[:, 2] - done[:, 0])
        u = 1e3 * done[:, 3]
        inside = [100.0 * np.mean(np.abs(one) <= 1.96 * u) for one in (off, own)]
        rms = [float(np.sqrt(np.mean(one**2))) for one in (off, own)]
        print(
            f"{name:<12}  {rms[0]:14.1f} {inside[0]:7.1f} %   {rms[1]:14.1f} {inside[1]:7.1f} %"
            f" {np.median(u):9.1f}"
        )


if __name__ == "__main__":
    main()
