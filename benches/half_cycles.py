"""Which half-cycle is timed, over phases, bandwidths, arrangements and methods.

    python benches/half_cycles.py [ROWS]

Pulses of 0 to 180° and 40, 60 and 100 % bandwidth, each calibrated on clean steps and read clean
(40 dB, unfiltered, of the lowest echo) and in noise (20 and 12 dB). Counts only, no wall time.
"""

from __future__ import annotations

import sys

import numpy as np
from ascan_synthetic.synthesis import Synthesis
from ascan_synthetic.tables import ProbeTable, ReceiverTable, RecordTable, Scenario, WallTable
from faults import Score, score
from setups import U_STEP_MM, scan_of

from ascan import Procedure, calibrate, measure
from ascan.base.errors import AscanError
from ascan.base.flags import Flag
from ascan.kernels.arrays import AnyArray, FloatArray

PHASES_DEG, BANDWIDTHS = (0.0, 30.0, 60.0, 90.0, 120.0, 150.0, 180.0), (0.4, 0.6, 1.0)
METHODS = ("peak", "zero_crossing", "correlation", "pulse_fit")
STEPS_MM, WALLS_MM = (3.0, 6.0, 12.0, 20.0), (3.0, 19.0)
SNR_DB = (40.0, 20.0, 12.0)
CONTACT = """
probe = { arrangement = "contact", frequency_mhz = 5.0, delay_us = 0.35 }
interval = { mode = "time_zero_to_echo", gates = ["wall"] }
[[gate]]
name = "wall"
start_mm = 1.2
stop_mm = 22.0
threshold = 0.015
half_cycles = "COUNTS"
TIMING
"""
BEHIND_PATH = """
probe = { arrangement = "ARRANGEMENT", frequency_mhz = 5.0, delay_us = 0.35 }
interval = { mode = "interface_to_echo", gates = ["surface", "wall"] }
[[gate]]
name = "surface"
start_us = START
stop_us = STOP
threshold = 0.02
echo = "largest"
TIMING
[[gate]]
name = "wall"
follows = "surface"
start_mm = 2.0
stop_mm = 22.0
threshold = 0.01
echo = "largest"
TIMING
"""
PATHS = {
    "delay_line": (RecordTable(samples=1000, start_us=8.0, bits=14), 12.0, 0.0, ("8.2", "11.0")),
    "immersion": (RecordTable(samples=1400, start_us=38.0, bits=14), 30.0, 0.3, ("38.5", "43.5")),
}


def procedure_of(arrangement: str, counts: str, method: str) -> Procedure:
    filled = CONTACT.replace("COUNTS", counts)
    if arrangement in PATHS:
        start, stop = PATHS[arrangement][3]
        filled = BEHIND_PATH.replace("ARRANGEMENT", arrangement)
        filled = filled.replace("START", start).replace("STOP", stop)
    templated = method in ("correlation", "pulse_fit")
    band = '{ kind = "none" }' if templated else '{ kind = "band_pass", low_mhz = 2, high_mhz = 8 }'
    return Procedure.from_text(f"filter = {band}{filled}".replace("TIMING", f'timing = "{method}"'))


def made_of(arrangement: str, phase_deg: float, bandwidth: float, wall: WallTable) -> Synthesis:
    """Return signals without noise."""
    record, path_mm, wander_mm = RecordTable(samples=1800, bits=14), 0.0, 0.0
    if arrangement in PATHS:
        record, path_mm, wander_mm, _ = PATHS[arrangement]
    return Synthesis(
        Scenario(
            seed=1,
            record=record,
            probe=ProbeTable(
                arrangement=arrangement,
                phase_deg=phase_deg,
                bandwidth=bandwidth,
                delay_us=0.35,
                radius_mm=3.0,
                path_mm=path_mm,
                path_wander_mm=wander_mm,
            ),
            receiver=ReceiverTable(gain=0.5, noise=0.0, gain_spread_db=1.0),
            wall=wall,
        )
    )


def least_echo(made: Synthesis, codes: AnyArray, true_mm: FloatArray) -> float:
    """Return the height of the lowest first echo, in codes."""
    start_us, size = made.scenario.record.start_us, np.abs(codes.astype(np.float64))
    begin_us = np.full(len(codes), 0.35)
    if made.scenario.probe.arrangement in PATHS:
        begin_us = start_us + size.argmax(axis=1) / 100.0
    middle = np.rint((begin_us + 2.0 * true_mm / 5.92 - start_us) * 100.0).astype(np.int64)
    near = [row[max(at - 60, 0) : at + 60].max() for row, at in zip(size, middle, strict=True)]
    return float(min(near))


class Tally:
    """What became of the readings, by arrangement, method and noise."""

    def __init__(self) -> None:
        self.found: dict[tuple[str, str, float], FloatArray] = {}

    def add(self, key: tuple[str, str, float], got: Score) -> None:
        """Count the readings of one calibration."""
        wrong = got.wrong_with_care + got.silent
        counted = np.array([got.rows, got.care, got.refused, wrong, got.silent], np.float64)
        self.found[key] = self.found.get(key, np.zeros(5)) + counted

    def show(self) -> None:
        """Print one line each."""
        print(f"{'':<44}{'rows':>8}{'care %':>8}{'refused':>9}{'wrong':>8}{'silent':>8}")
        for (name, method, snr_db), (count, care, refused, wrong, silent) in self.found.items():
            told = f"{name}, {method}, {snr_db:.0f} dB"
            share = 100.0 * care / count
            print(f"{told:<44}{count:8.0f}{share:8.1f}{refused:9.0f}{wrong:8.0f}{silent:8.0f}")


def noisy(codes: AnyArray, level: float, rng: np.random.Generator) -> AnyArray:
    noise = rng.normal(0.0, level, codes.shape)
    return np.clip(np.rint(codes + noise), -8192, 8191).astype(codes.dtype)


def try_pulse(case: tuple[str, str], pulse: tuple[float, float], rows: int, tally: Tally) -> None:
    """Try every method on one pulse: phase and bandwidth."""
    arrangement, counts = case
    rng = np.random.default_rng(rows)
    made = made_of(arrangement, *pulse, WallTable(uniform_mm=WALLS_MM, count=rows))
    block = made_of(arrangement, *pulse, WallTable(steps_mm=STEPS_MM, readings=4))
    clean, steps = made.waveforms(), block.waveforms()
    true_mm = np.asarray(made.truth_columns()["true_mean_mm"])
    known_mm = np.asarray(block.truth_columns()["true_mean_mm"])
    least = least_echo(made, clean, true_mm)
    levels = {snr_db: least * 10.0 ** (-snr_db / 20.0) for snr_db in SNR_DB}
    on_steps = scan_of(block, noisy(steps, levels[SNR_DB[0]], rng))
    scans = {snr_db: scan_of(made, noisy(clean, level, rng)) for snr_db, level in levels.items()}
    for method in METHODS:
        how = procedure_of(arrangement, counts, method)
        try:
            fit = calibrate(on_steps, how, known_mm, u_known_mm=U_STEP_MM)
        except AscanError as problem:
            print(f"{arrangement}, {counts}, {method}, {pulse}: {problem}")
            continue
        for snr_db, scan in scans.items():
            read = measure(scan, how, fit)
            # Whether diffraction lets a straight line through the steps is another question.
            flags = read.flags & ~np.uint32(Flag.CALIBRATION_IN_DOUBT)
            columns = {**read.columns, "flags": flags}
            got = score(columns, np.stack([true_mm, true_mm]))
            tally.add((f"{arrangement}, {counts}", method, snr_db), got)


def main(rows: int) -> None:
    tally = Tally()
    cases = [("contact", "any"), ("contact", "negative"), *((name, "any") for name in PATHS)]
    for bandwidth in BANDWIDTHS:
        for phase_deg in PHASES_DEG:
            for case in cases:
                try_pulse(case, (phase_deg, bandwidth), rows, tally)
    tally.show()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 60)
