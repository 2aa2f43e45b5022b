"""Paths that may underlie a dual-element probe's calibration curve, from its nominal dimensions.

What an echo of two wide elements looks like is worked out for many walls; then it is found and
timed exactly as a record's is, so that whatever the timing does to it is in the path, too.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from ascan.arrays import FloatArray
from ascan.calibration.curve import PathModel
from ascan.flags import is_fatal
from ascan.gate_stage import GateStage
from ascan.gating import Gate
from ascan.path.aperture import DualGeometry, first_echoes
from ascan.procedure import Procedure
from ascan.recording import Recording, recording_for

# What line and ray leave of an aperture's times, and what nominal dimensions leave of them.
USUAL_PLAIN_US, USUAL_APERTURE_US = 0.03, 0.006
# What a path that leaves out the elements' width must fit better by, where the width is known.
DOUBT = 16.0
GRID_STEPS = 80
LEAD_PERIODS = 4.0


def path_models(procedure: Procedure, recording: Recording, gate: Gate) -> list[PathModel]:
    """Return the paths whose times may underlie the curve, for walls of 0.2 to 200 mm."""
    velocity = procedure.material.velocity_mm_per_us
    wide = np.geomspace(0.2, 200.0, 4 * GRID_STEPS)
    models = [
        PathModel(
            name="line",
            thickness_mm=wide,
            time_us=2.0 * wide / velocity,
            usual_us=USUAL_PLAIN_US,
        )
    ]
    geometry = procedure.probe.geometry()
    if geometry is None:
        return models
    ray = geometry.middle_time_us(wide, velocity)
    models.append(PathModel(name="ray", thickness_mm=wide, time_us=ray, usual_us=USUAL_PLAIN_US))
    models = [dataclasses.replace(model, doubt=DOUBT) for model in models]
    depth = np.geomspace(0.5, 60.0, GRID_STEPS)
    for thickness, time in _predicted(procedure, recording, gate, geometry, depth):
        models.append(
            PathModel(
                name="aperture", thickness_mm=thickness, time_us=time, usual_us=USUAL_APERTURE_US
            )
        )
    return models


def _predicted(
    procedure: Procedure,
    recording: Recording,
    gate: Gate,
    geometry: DualGeometry,
    depth_mm: FloatArray,
) -> list[tuple[FloatArray, FloatArray]]:
    """Return thickness and time of nominal echoes, timed as a record's are, of either polarity."""
    velocity, rate = procedure.material.velocity_mm_per_us, recording.sample_rate_mhz
    frequency = procedure.probe.frequency_mhz
    middle = geometry.middle_time_us(depth_mm, velocity)
    lead = LEAD_PERIODS / frequency
    # Each record begins just before its echo: all are short.
    start_us = np.floor((middle - 2.0 * lead) * rate) / rate
    clock = np.arange(int(np.ceil(4.0 * lead * rate))) / rate
    echoes = [
        first_echoes(geometry, np.array([d]), velocity, frequency, start + clock)[0]
        for d, start in zip(depth_mm, start_us, strict=True)
    ]
    block = np.stack(echoes)
    clean = recording_for(block.dtype, sample_rate_mhz=rate, full_scale=2.0)
    stage = GateStage(procedure, clean)
    times = []
    for sign in ("positive", "negative"):
        alike = dataclasses.replace(gate, half_cycles=sign, threshold=None)
        window_us = (0.5 * lead, 2.0 * lead + procedure.reach_us)
        found = stage.time_gate(alike, window_us, {}, block, np.zeros(len(block)))
        if is_fatal(found.flags).any():
            continue
        apart = np.unwrap(found.time_us + start_us - middle, period=1.0 / frequency)
        times.append(_growing(depth_mm, middle + apart))
    return times


def _growing(depth_mm: FloatArray, time_us: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the longest part of a table in which time grows; on very thin walls it may not."""
    ends = np.flatnonzero(np.diff(time_us) <= 0.0) + 1
    begins, stops = np.r_[0, ends], np.r_[ends, time_us.size]
    longest = int(np.argmax(stops - begins))
    part = slice(int(begins[longest]), int(stops[longest]))
    return depth_mm[part], time_us[part]
