"""Paths that may underlie a dual-element probe's calibration curve, from its nominal dimensions.

What an echo of two wide elements looks like is worked out for many walls; then it is found and
timed exactly as a record's is, so that whatever the timing does to it is in the path, too.
"""

from __future__ import annotations

import dataclasses
from typing import NamedTuple

import numpy as np

from ascan.base.flags import is_fatal
from ascan.calibration.curve import PathModel
from ascan.calibration.step_means import StepMeans
from ascan.calibration.vee_fit import LEAST_STEPS, fit_vee
from ascan.echo.placing import Shots
from ascan.echo.stage import GateStage
from ascan.engine.gates import gates_of
from ascan.finding.echoes import GateEchoes
from ascan.finding.first_arrival import ArrivalGuide
from ascan.kernels.arrays import FloatArray
from ascan.path.aperture import DualGeometry, first_echoes
from ascan.procedure.written import Procedure
from ascan.timing.gating import Gate
from ascan.waveform.conditioning import condition_rows
from ascan.waveform.recording import Recording, recording_for

# What line and ray leave of an aperture's times, and what nominal dimensions leave of them.
USUAL_PLAIN_US, USUAL_APERTURE_US = 0.03, 0.006
# What a path that leaves out the elements' width must fit better by, where the width is known.
DOUBT = 16.0
GRID_STEPS = 80
LEAD_PERIODS = 4.0
# Steps of a quiet block must not pin the V-path to their last nanosecond.
U_LEAST_US = 1e-3
SIGNS = ("positive", "negative")


class NominalEchoes(NamedTuple):
    """Records of nominal echoes, when each begins, and the stage that times them."""

    stage: GateStage
    block: FloatArray
    start_us: FloatArray


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
    stage, block, start_us = _nominal_echoes(procedure, recording, geometry, depth)
    middle = geometry.middle_time_us(depth, velocity)
    for sign in SIGNS:
        found = _timed(stage, gate, block, sign)
        if is_fatal(found.flags).any():
            continue
        apart = found.time_us + start_us - middle
        apart = np.unwrap(apart, period=1.0 / procedure.probe.frequency_mhz)
        thickness, time = _growing(depth, middle + apart)
        models.append(
            PathModel(
                name=f"aperture, {sign}",
                thickness_mm=thickness,
                time_us=time,
                usual_us=USUAL_APERTURE_US,
            )
        )
    return models


def fitted_half_separation_mm(means: StepMeans) -> float:
    """Return the s of the V-path that fits step readings best; NaN with fewer than five steps.

    Zero, scale and half separation are three numbers, and at most steps − 2 are fitted.
    """
    if means.thickness_mm.size < LEAST_STEPS + 2:
        return float("nan")
    u = np.hypot(means.u_interval_us, U_LEAST_US)
    return fit_vee(means.thickness_mm, means.interval_us, u).half_separation_mm


def vee_path(half_separation_mm: float, velocity_mm_per_us: float, doubt: float) -> PathModel:
    """Return the V-path of a half separation that was fitted to the steps."""
    wide = np.geomspace(0.2, 200.0, 4 * GRID_STEPS)
    return PathModel(
        name="vee",
        thickness_mm=wide,
        time_us=2.0 * np.hypot(wide, half_separation_mm) / velocity_mm_per_us,
        usual_us=USUAL_PLAIN_US,
        doubt=doubt,
        parameters=1,
    )


def without_unlike(
    models: list[PathModel],
    procedure: Procedure,
    recording: Recording,
    steps_mm: FloatArray,
    guide: ArrivalGuide,
) -> list[PathModel]:
    """Return the paths without that aperture's whose opening half-cycle is another than learned.

    Either half-cycle of the nominal pulse may be the one that opens the real echo, whose phase is
    not known. First arrivals learned on the steps are laid over nominal ones of the same walls.
    """
    geometry = procedure.probe.geometry()
    if geometry is None:
        return models
    gate = procedure.gate(procedure.layout.gates[0])
    stage, block, _ = _nominal_echoes(procedure, recording, geometry, steps_mm)
    alike = {}
    for sign in SIGNS:
        found = _timed(stage, gate, block, sign)
        cut = np.empty(guide.shapes.shape, stage.taps.dtype)
        condition_rows(block, 0.0, found.peak - guide.zero_index, stage.taps, cut)
        ours = np.nan_to_num(guide.polarity * guide.shapes)
        theirs = np.where(np.isnan(guide.shapes), 0.0, cut * found.sign[:, None])
        product = (ours * theirs).sum(axis=1)
        sizes = np.linalg.norm(ours, axis=1) * np.linalg.norm(theirs, axis=1)
        alike[sign] = float(np.mean(product / np.maximum(sizes, 1e-300)))
    unlike = f"aperture, {min(alike, key=lambda sign: alike[sign])}"
    return [model for model in models if model.name != unlike]


def _nominal_echoes(
    procedure: Procedure, recording: Recording, geometry: DualGeometry, depth_mm: FloatArray
) -> NominalEchoes:
    """Return records of nominal echoes, when each begins, and the stage that times them."""
    velocity, rate = procedure.material.velocity_mm_per_us, recording.sample_rate_mhz
    frequency = procedure.probe.frequency_mhz
    lead = LEAD_PERIODS / frequency
    # Each record begins just before its echo: all are short.
    start_us = np.floor((geometry.middle_time_us(depth_mm, velocity) - 2.0 * lead) * rate) / rate
    clock = np.arange(int(np.ceil(4.0 * lead * rate))) / rate
    echoes = [
        first_echoes(geometry, np.array([d]), velocity, frequency, start + clock)[0]
        for d, start in zip(depth_mm, start_us, strict=True)
    ]
    block = np.stack(echoes)
    clean = recording_for(block.dtype, sample_rate_mhz=rate, full_scale=2.0)
    return NominalEchoes(gates_of(procedure, clean), block, start_us)


def _timed(stage: GateStage, gate: Gate, block: FloatArray, sign: str) -> GateEchoes:
    """Return nominal echoes found and timed as a record's are, on half-cycles of one sign."""
    lead = LEAD_PERIODS / stage.setting.probe.frequency_mhz
    alike = dataclasses.replace(gate, half_cycles=sign, threshold=None)
    window_us = (0.5 * lead, 2.0 * lead + stage.setting.layout.reach_us)
    shots = Shots(block=block, start_time_us=np.zeros(len(block)))
    return stage.time_gate(alike, window_us, {}, shots)


def _growing(depth_mm: FloatArray, time_us: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the longest part of a table in which time grows; on very thin walls it may not."""
    ends = np.flatnonzero(np.diff(time_us) <= 0.0) + 1
    begins, stops = np.r_[0, ends], np.r_[ends, time_us.size]
    longest = int(np.argmax(stops - begins))
    part = slice(int(begins[longest]), int(stops[longest]))
    return depth_mm[part], time_us[part]
