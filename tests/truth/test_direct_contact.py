"""Direct contact through calibration and measurement, without and with the probe's diffraction."""

from __future__ import annotations

import numpy as np
import pytest
from ascan_synthetic.synthesis import Synthesis
from ascan_synthetic.tables import ProbeTable, ReceiverTable, RecordTable, Scenario, WallTable

from ascan import Procedure, Scan, calibrate, measure
from ascan.kernels.arrays import FloatArray

TEXT = """
[probe]
arrangement = "contact"
frequency_mhz = 5.0
delay_us = 0.35
element_diameter_mm = 6.35
[filter]
kind = "gaussian"
centre_mhz = 5.0
bandwidth_mhz = 3.0
[interval]
mode = "time_zero_to_echo"
gates = ["wall"]
diffraction = "{diffraction}"
[[gate]]
name = "wall"
start_mm = 2.0
stop_mm = 28.0
threshold = 0.02
echo = "largest"
half_cycles = "negative"   # a free back wall turns the pulse over
"""
STEPS_MM = np.array([5.0, 10.0, 15.0, 20.0, 25.0])
WALLS_MM = np.linspace(5.0, 25.0, 81)


def scan(thickness_mm: FloatArray, radius_mm: float) -> Scan:
    made = Synthesis(
        Scenario(
            record=RecordTable(bits=16, samples=1400),
            probe=ProbeTable(radius_mm=radius_mm),
            wall=WallTable(steps_mm=tuple(thickness_mm.tolist())),
            receiver=ReceiverTable(gain=1.0, noise=0.0),
        )
    )
    return Scan.from_array(made.waveforms() / made.full_scale, sample_rate_mhz=100.0)


@pytest.mark.parametrize(
    ("radius_mm", "diffraction", "most_mm"),
    [(0.0, "none", 0.002), (3.175, "none", 0.010), (3.175, "round_element", 0.003)],
)
def test_between_exact_steps(radius_mm: float, diffraction: str, most_mm: float) -> None:
    """Asked: 2 µm without diffraction, 10 µm with it from 5 mm on; 3 µm where it is taken off."""
    how = Procedure.from_text(TEXT.format(diffraction=diffraction))
    calibration = calibrate(scan(STEPS_MM, radius_mm), how, STEPS_MM, u_known_mm=1e-4)
    readings = measure(scan(WALLS_MM, radius_mm), how, calibration)
    assert np.abs(readings.thickness_mm - WALLS_MM).max() < most_mm
