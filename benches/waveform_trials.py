"""The trials of `stated_calibration` with whole waveforms, to show that drawn times suffice."""

from __future__ import annotations

import dataclasses
import functools

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
from drawn_times import (
    ELEMENT_MM,
    RANGE_MM,
    REPEAT_US,
    STEPS_MM,
    U_AMONG_MM,
    U_BLOCK_MM,
    VELOCITY_MM_PER_US,
    ZERO_US,
    Case,
    block_errors_mm,
)
from faults import scan_of
from stated_calibration import Stated, Summary, Truth, stated_of, summary_of

from ascan import Procedure, calibrate, measure, time_echoes

MOST_TRIALS = 400
CASES = (
    Case(readings=3, steps=3, lack="none", block="own"),
    Case(readings=3, steps=5, lack="mild", block="common"),
)
# Such noise makes an echo's time uncertain by 1 ns, as it is drawn; diffraction takes a part of the
# echo, and is given as much less noise.
NOISE = {"none": 0.0103, "mild": 0.004}
CLEAN, CLEAN_PLATES = 0.0003, 400
HOW = Procedure.from_text("""
probe = { arrangement = "contact", frequency_mhz = 5.0, delay_us = 0.35 }
filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }
interval = { mode = "time_zero_to_echo", gates = ["wall"] }
[[gate]]
name = "wall"
start_mm = 2.0
stop_mm = 22.0
threshold = 0.02
half_cycles = "negative"
timing = { method = "peak" }
""")


def scenario_of(case: Case) -> Scenario:
    """Return a contact probe on steel; its trigger wanders by the repeatability."""
    radius_mm = 0.5 * ELEMENT_MM if case.lack != "none" else 0.0
    return Scenario(
        record=RecordTable(samples=1000, bits=14),
        probe=ProbeTable(arrangement="contact", delay_us=ZERO_US, radius_mm=radius_mm),
        stack=StackTable(wall_velocity_mm_per_us=VELOCITY_MM_PER_US, attenuation_db_per_mm=0.0),
        receiver=ReceiverTable(gain=0.5, noise=NOISE[case.lack], jitter_ns=1e3 * REPEAT_US),
    )


def made_of(case: Case, wall: WallTable, rng: np.random.Generator) -> Synthesis:
    """Return new waveforms."""
    seed = int(rng.integers(2**31))
    return Synthesis(dataclasses.replace(scenario_of(case), seed=seed, wall=wall))


@functools.cache
def clean_line(case: Case) -> tuple[float, float, float]:
    """Return zero (µs) and velocity of all but noiseless waveforms, and how far they bend off (ns).

    What diffraction adds to the line is part of it. The engine's own table of it does for drawn
    times; the peak of a band-passed echo lies 1 to 2 ns from it, nearly along a line.
    """
    quiet = dataclasses.replace(
        scenario_of(case), receiver=ReceiverTable(gain=0.5, noise=CLEAN), seed=1
    )
    plates = WallTable(uniform_mm=RANGE_MM, count=CLEAN_PLATES)
    made = Synthesis(dataclasses.replace(quiet, wall=plates))
    wall_mm = np.asarray(made.truth_columns()["true_mean_mm"])
    time_us = time_echoes(scan_of(made, made.waveforms()), HOW).columns["interval_us"]
    slowness, zero_us = np.polyfit(wall_mm, time_us, 1)
    off_us = time_us - zero_us - slowness * wall_mm
    return float(zero_us), 2.0 / float(slowness), 1e3 * float(np.abs(off_us).max())


def truth_of(case: Case, wall_mm: float) -> Truth:
    """Return the line behind the times."""
    if case.lack == "none":
        return Truth(wall_mm)
    zero_us, velocity, _ = clean_line(case)
    return Truth(wall_mm, velocity, zero_us)


def trial(case: Case, rng: np.random.Generator) -> tuple[Stated, float]:
    """Calibrate on a new block and read one wall; return the stated u of its time (ns), too."""
    nominal = np.array(STEPS_MM[case.steps])
    true = nominal + block_errors_mm(case, 1, rng)[0]
    block = made_of(case, WallTable(steps_mm=tuple(true), readings=case.readings), rng)
    under = np.asarray(block.truth_columns()["true_mean_mm"])
    known = nominal[np.abs(under[:, None] - nominal).argmin(axis=1)]
    common = case.block == "common"
    fit = calibrate(
        scan_of(block, block.waveforms()),
        HOW,
        known,
        u_known_mm=U_AMONG_MM if common else U_BLOCK_MM,
        u_common_mm=U_BLOCK_MM if common else 0.0,
    )
    part = made_of(case, WallTable(uniform_mm=RANGE_MM, count=1), rng)
    wall_mm = float(np.asarray(part.truth_columns()["true_mean_mm"])[0])
    read = measure(scan_of(part, part.waveforms()), HOW.on_block, fit)
    u_ns = 1e3 * float(read.columns["u_interval_us"][0])
    return stated_of(fit, read, truth_of(case, wall_mm)), u_ns


def waveform_coverage(
    case: Case, trials: int, rng: np.random.Generator
) -> tuple[Summary, float, int]:
    """Return the summary, the median u of a time in ns, and how many readings were refused."""
    done = [trial(case, rng) for _ in range(trials)]
    refused = int(sum(np.isnan(one.off[0]) for one, _ in done))
    return summary_of([one for one, _ in done]), float(np.nanmedian([u for _, u in done])), refused
