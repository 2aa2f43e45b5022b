"""Eight generated waveforms beside measured ones, to be looked at.

    python benches/beside_measured.py MEASURED.npz PICTURE.png

The pulse is the interface echo of one measured record and the water path is read off each record;
gain, noise, grain, element radius, loss in the steel and the reflection of the probe's face are set
by eye, the same for all eight. Times, amplitudes of the echoes against each other, repeats and
clipping on the generated side come from the wave physics. Not in it: electrical bursts before the
interface echo, the receiver's recovery, the sides of a narrow step.
"""

from __future__ import annotations

import dataclasses
import sys

import matplotlib.pyplot as plt
import numpy as np
from ascan_synthetic.medium import water_at
from ascan_synthetic.pulse import TemplatePulse
from ascan_synthetic.synthesis import Synthesis
from ascan_synthetic.tables import (
    ProbeTable,
    ReceiverTable,
    RecordTable,
    Scenario,
    StackTable,
    WallTable,
)

RATE_MHZ = 60.0
FULL_SCALE = 512.0
PULSE_ROW = 12
ELEMENT_RADIUS_MM = 3.5
# Row, first and last microsecond shown, gain against the pulse row's.
VIEWS = [
    (12, 0.0, 90.0, 1.0),
    (23, 0.0, 90.0, 11.0),
    (26, 0.0, 90.0, 4.0),
    (21, 30.0, 90.0, 32.0),
    (12, 36.5, 39.5, 1.0),
    (12, 40.0, 52.0, 1.0),
    (23, 34.5, 52.0, 11.0),
    (27, 24.5, 36.0, 1.2),
]


def surface_us(row: np.ndarray) -> float:
    """Return when the first large signal after the transmit burst arrives."""
    late = np.abs(row[600:]) > 0.5 * np.abs(row[600:]).max()
    return (600 + int(np.argmax(late))) / RATE_MHZ


def scenario_like(row: np.ndarray, thickness_mm: float, gain: float, pulse: np.ndarray) -> Scenario:
    """Return an immersed plate with the measured pulse and water path."""
    shape = TemplatePulse.from_samples(pulse, RATE_MHZ)
    delay_us = 0.6
    arrival_us = surface_us(row) + 0.15
    path_mm = 0.5 * (arrival_us - delay_us) * water_at(20.0).velocity_mm_per_us
    return Scenario(
        record=RecordTable(sample_rate_mhz=RATE_MHZ, samples=len(row), bits=10),
        probe=ProbeTable(
            arrangement="immersion",
            pulse="template",
            template=tuple(pulse.tolist()),
            template_rate_mhz=RATE_MHZ,
            centre_mhz=shape.centre_mhz,
            delay_us=delay_us,
            path_mm=path_mm,
            radius_mm=ELEMENT_RADIUS_MM,
            face=0.5,
        ),
        stack=StackTable(backing="water", attenuation_db_per_mm=0.04),
        wall=WallTable(steps_mm=(thickness_mm,)),
        receiver=ReceiverTable(
            gain=gain,
            noise=0.0014,
            grain=0.0012,
            grain_decay_us=25.0,
            burst=4.0,
            burst_decay_us=0.4,
        ),
    )


def main(measured: str, picture: str) -> None:
    """Draw eight pairs, measured above generated."""
    with np.load(measured) as file:
        rows, thickness = file["waveforms"].astype(float) / FULL_SCALE, file["checked_mm"]
    reference = rows[PULSE_ROW] - np.median(rows[PULSE_ROW])
    start = round((surface_us(reference) - 0.6) * RATE_MHZ)
    pulse = reference[start : start + round(3.0 * RATE_MHZ)] * np.hanning(2 * 180)[180:].clip(0, 1)
    plain = scenario_like(reference, 10.0, 1.0, pulse)
    made = Synthesis(plain).waveforms()[0] / FULL_SCALE
    level = np.abs(reference[1200:]).max() / np.abs(made[1200:]).max()
    figure, axes = plt.subplots(8, 2, figsize=(15, 22), layout="constrained")
    for pair, (number, first, last, gain) in zip(axes, VIEWS, strict=True):
        row = rows[number] - np.median(rows[number])
        scenario = scenario_like(row, float(thickness[number]), gain * level, pulse)
        scenario = dataclasses.replace(scenario, seed=number)
        signal = Synthesis(scenario).waveforms()[0] / FULL_SCALE
        time_us = np.arange(len(row)) / RATE_MHZ
        shown = (time_us >= first) & (time_us < last)
        top = max(np.abs(row[shown]).max(), np.abs(signal[shown]).max()) * 1.05
        for axis, kind, values in zip(pair, ("measured", "generated"), (row, signal), strict=True):
            axis.plot(time_us[shown], values[shown], linewidth=0.7, color="0.15")
            axis.set_title(f"row {number}, {thickness[number]:.0f} mm, {kind}", loc="left")
            axis.set_ylim(-top, top)
    for axis in axes[-1]:
        axis.set_xlabel("time, µs")
    figure.savefig(picture, dpi=70)


if __name__ == "__main__":
    main(*sys.argv[1:3])
