"""A small analytic plate for the examples in docstrings; the laboratory is `ascan_synthetic`."""

from __future__ import annotations

import numpy as np

from ascan.arrays import FloatArray
from ascan.calibrating import calibrate
from ascan.calibration.record import Calibration
from ascan.procedure import Procedure
from ascan.scan import Scan

VELOCITY_MM_PER_US = 5.920
PROCEDURE = """
title = "Contact probe on steel, pulse to echo"
probe = { name = "example", arrangement = "contact", frequency_mhz = 5.0 }
filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }
interval = { mode = "time_zero_to_echo", gates = ["wall"] }
[[gate]]
name = "wall"
start_mm = 2.0
stop_mm = 25.0
threshold = 0.2
"""


def plate_scan(thickness_mm: FloatArray) -> Scan:
    """Return noise-free echoes of plates: a Gaussian burst of 5 MHz at 2 d / v, and its repeats."""
    time_us = np.arange(1000) / 100.0
    signal = np.zeros((len(thickness_mm), time_us.size), np.float32)
    for number in range(1, 6):
        after = time_us - 2.0 * number * thickness_mm[:, None] / VELOCITY_MM_PER_US
        envelope = 0.8**number * np.exp(-((after / 0.17) ** 2))
        signal += (envelope * np.cos(2.0 * np.pi * 5.0 * after)).astype(np.float32)
    return Scan.from_array(signal, sample_rate_mhz=100.0)


def plate_example(thickness_mm: float) -> tuple[Scan, Procedure, Calibration]:
    """Return a scan of one plate, a procedure, and a calibration on steps of 5, 10 and 20 mm."""
    procedure = Procedure.from_text(PROCEDURE)
    steps_mm = np.array([5.0, 10.0, 20.0])
    calibration = calibrate(plate_scan(steps_mm), procedure, steps_mm, u_known_mm=0.01)
    return plate_scan(np.array([thickness_mm])), procedure, calibration
