"""Small builders of waveforms and procedures that many tests share."""

from __future__ import annotations

import numpy as np

from ascan import Procedure, Scan
from ascan.kernels.arrays import FloatArray

SAMPLE_RATE_MHZ = 100.0
CENTRE_MHZ = 5.0
SIGMA_US = 0.124927  # half-amplitude bandwidth 60 % at 5 MHz


def burst(time_us: FloatArray, arrival_us: FloatArray | float) -> FloatArray:
    """Return a 5 MHz Gaussian burst of height 1 at its arrival."""
    after = time_us - np.asarray(arrival_us)[..., None]
    return np.exp(-0.5 * (after / SIGMA_US) ** 2) * np.cos(2.0 * np.pi * CENTRE_MHZ * after)


def wall_procedure(timing: str = '"peak"', extra: str = "", gate: str = "") -> Procedure:
    """Return a procedure: one gate from 2 to 9 µs, pulse to echo, contact probe; no filter."""
    plain = "" if "filter" in extra else 'filter = { kind = "none" }'
    return Procedure.from_text(f"""
    probe = {{ arrangement = "contact", frequency_mhz = 5.0 }}
    interval = {{ mode = "time_zero_to_echo", gates = ["wall"] }}
    {plain}
    {extra}
    [[gate]]
    name = "wall"
    start_us = 2.0
    stop_us = 9.0
    threshold = 0.2
    timing = {timing}
    {gate}
    """)


def scan_of(waveforms: FloatArray, **meaning: object) -> Scan:
    """Return a scan at 100 MHz."""
    return Scan.from_array(waveforms, sample_rate_mhz=SAMPLE_RATE_MHZ, **meaning)


# Of `step_block` and `pitted_raster` of the synthetic scenarios.
HEADER_PROCEDURE = """\
title = "header, delay-line probe"

[probe]
name = "probe of the tests"
arrangement = "delay_line"
frequency_mhz = 5.0
delay_us = 0.35

[material]
name = "steel"
velocity_mm_per_us = 5.920

[filter]
kind = "band_pass"
low_mhz = 2.0
high_mhz = 8.0

[[gate]]
name = "surface"
start_us = 8.0
stop_us = 11.0
threshold = 0.3
half_cycles = "positive"

[[gate]]
name = "wall"
follows = "surface"
start_mm = 2.0
stop_mm = 16.0
threshold = 0.05
half_cycles = "opposite"

[interval]
mode = "interface_to_echo"
gates = ["surface", "wall"]

[range]
min_mm = 3.0
max_mm = 12.0
"""
