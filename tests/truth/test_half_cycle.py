"""Which half-cycle: where two of an echo are as high, the calibration's is taken, or it is told."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from ascan_synthetic.synthesis import Synthesis
from ascan_synthetic.tables import ProbeTable, ReceiverTable, RecordTable, Scenario, WallTable

from ascan import Flag, Procedure, Scan, calibrate, measure, time_echoes
from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.learning.known import known_rows
from ascan.learning.learners.echoes import settled_by_steps

# An eighth of a wavelength: nearer to the wall than to what another half-cycle says of it.
EIGHTH_MM = 5.92 / 5.0 / 8.0
STEPS_MM = (3.0, 6.0, 12.0, 20.0)


def procedure_of(timing: str, half_cycles: str) -> Procedure:
    band = 'kind = "none"' if timing == "correlation" else 'kind = "band_pass"'
    edges = "" if timing == "correlation" else ", low_mhz = 2.0, high_mhz = 8.0"
    return Procedure.from_text(f"""
probe = {{ arrangement = "contact", frequency_mhz = 5.0, delay_us = 0.35 }}
filter = {{ {band}{edges} }}
interval = {{ mode = "time_zero_to_echo", gates = ["wall"] }}
[[gate]]
name = "wall"
start_mm = 1.2
stop_mm = 22.0
threshold = 0.015
half_cycles = "{half_cycles}"
timing = "{timing}"
""")


def made_of(phase_deg: float, bandwidth: float, noise: float, wall: WallTable) -> Synthesis:
    return Synthesis(
        Scenario(
            seed=11,
            record=RecordTable(samples=1800, bits=14),
            probe=ProbeTable(
                arrangement="contact",
                phase_deg=phase_deg,
                bandwidth=bandwidth,
                delay_us=0.35,
                radius_mm=3.0,
            ),
            receiver=ReceiverTable(gain=0.5, noise=noise, gain_spread_db=1.0),
            wall=wall,
        )
    )


def scan_of(made: Synthesis) -> tuple[Scan, FloatArray]:
    codes: AnyArray = made.waveforms()
    scan = Scan.from_array(codes, sample_rate_mhz=100.0, full_scale=made.full_scale)
    return scan, np.asarray(made.truth_columns()["true_mean_mm"])


# Pulses whose two largest half-cycles that count are as high as each other; and a long one.
@pytest.mark.parametrize(
    ("phase_deg", "bandwidth", "timing", "half_cycles"),
    [
        (90.0, 0.6, "peak", "any"),
        (60.0, 0.6, "peak", "any"),
        (120.0, 0.6, "zero_crossing", "negative"),
        (150.0, 1.0, "peak", "negative"),
        (90.0, 0.6, "correlation", "any"),
        (60.0, 0.4, "correlation", "negative"),
    ],
)
def test_the_half_cycle_is_the_calibrations(
    phase_deg: float, bandwidth: float, timing: str, half_cycles: str
) -> None:
    procedure = procedure_of(timing, half_cycles)
    block = WallTable(steps_mm=STEPS_MM, readings=4)
    walls = WallTable(uniform_mm=(3.0, 19.0), count=150)
    steps, known_mm = scan_of(made_of(phase_deg, bandwidth, 0.0005, block))
    fit = calibrate(steps, procedure, known_mm, u_known_mm=0.003)
    scan, true_mm = scan_of(made_of(phase_deg, bandwidth, 0.0005, walls))
    clean = measure(scan, procedure, fit)
    assert np.abs(clean.thickness_mm - true_mm).max() < EIGHTH_MM
    assert (clean.flags != 0).mean() < 0.05
    # The lowest echo is 20 dB above this noise, before the filter.
    least = np.abs(clean.picks("wall")["amplitude"]).min()
    noisy_made = made_of(phase_deg, bandwidth, 0.1 * least, walls)
    noisy = measure(scan_of(noisy_made)[0], procedure, fit)
    wrong = ~(np.abs(noisy.thickness_mm - true_mm) < EIGHTH_MM)
    assert not (wrong & (noisy.flags == 0)).any()
    assert (noisy.flags != 0).mean() < 0.25


def test_noise_alone_would_pick_now_one_and_now_the_other() -> None:
    """What the calibration has to settle: at 90° the larger of two half-cycles is chance."""
    procedure = procedure_of("peak", "negative")
    made = made_of(150.0, 0.6, 0.002, WallTable(uniform_mm=(5.0, 19.0), count=80))
    scan, true_mm = scan_of(made)
    late_us = time_echoes(scan, procedure).picks("wall")["time_us"] - 2.0 * true_mm / 5.92
    fit = calibrate(*scan_and_steps(made), u_known_mm=0.003)
    settled = measure(scan, procedure, fit).picks("wall")["time_us"] - 2.0 * true_mm / 5.92
    assert np.ptp(late_us) > 0.15
    assert np.ptp(settled) < 0.1


def scan_and_steps(made: Synthesis) -> tuple[Scan, Procedure, FloatArray]:
    block = WallTable(steps_mm=STEPS_MM, readings=4)
    steps, known_mm = scan_of(Synthesis(dataclasses.replace(made.scenario, wall=block)))
    return steps, procedure_of("peak", "negative"), known_mm


def test_a_step_whose_half_cycle_is_not_sure_is_settled_by_the_others() -> None:
    """It is used where it lies on their line, not where it is half a period off it."""
    known = np.repeat([3.0, 6.0, 12.0], 2)
    interval = 0.4 + 2.0 * known / 5.92
    interval[1] += 0.1
    flags = np.zeros(6, np.uint32)
    flags[:2] = int(Flag.CYCLE_UNCERTAIN)
    times = {"flags": flags, "interval_us": interval, "u_interval_us": np.full(6, 1e-3)}
    blank = Scan.from_array(np.zeros((6, 16), np.float32), sample_rate_mhz=100.0)
    usable, on = flags == 0, known_rows(blank, known, 0.002)
    procedure = procedure_of("peak", "any")
    settled = settled_by_steps(on, times, usable, procedure)
    assert settled.tolist() == [True, False, True, True, True, True]
    # One sure step draws no line.
    alone = usable & (known > 10.0)
    assert settled_by_steps(on, times, alone, procedure).tolist() == alone.tolist()
