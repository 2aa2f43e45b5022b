"""Binding a procedure to a recording and a calibration: the pipeline that takes blocks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ascan.base.errors import calibration_fault as fault
from ascan.calibration.record import Calibration, check_calibration
from ascan.checks.check_input import About
from ascan.checks.shape_mismatch import allowed_between, arrival_reach
from ascan.checks.table import bound_to
from ascan.echo.bound import Taught
from ascan.echo.stage import GateStage
from ascan.engine.gates import gates_of
from ascan.engine.pipeline import Pipeline, window_us
from ascan.engine.readers.choice import reader_of
from ascan.engine.taught import taught_of
from ascan.engine.thickness_stage import ThicknessStage
from ascan.procedure.rules import check_recording
from ascan.procedure.written import Procedure, check_procedure
from ascan.waveform.recording import Recording


def bind(
    procedure: Procedure,
    recording: Recording,
    calibration: Calibration | None = None,
    taught: Taught | None = None,
) -> Pipeline:
    """Return the pipeline of a procedure.

    Parameters
    ----------
    procedure : Procedure
    recording : Recording
    calibration : Calibration, optional
        Without one there is no thickness.
    taught : Taught, optional
        What is known of echoes to come; by default what the calibration tells.

    Raises
    ------
    AscanError
        The recording or the calibration does not fit the procedure.
    """
    check_procedure(procedure)
    if calibration is not None:
        check_calibration(calibration)
    made_with = None if calibration is None else calibration.signature
    procedure = procedure.meant_for(recording, made_with)
    check_recording(procedure, recording)
    if calibration is not None:
        calibration.check_signature(procedure.signature(recording))
        _check_block_temperature(procedure, calibration)
    known = taught or taught_of(procedure, recording, calibration)
    gates = gates_of(procedure, recording, known)
    about = _about(procedure, recording, calibration, gates)
    wall = procedure.gate(procedure.layout.back_wall)
    passed_us = window_us(procedure, calibration, wall, about.time_zero_us)
    return Pipeline(
        procedure=procedure,
        recording=recording,
        calibration=calibration,
        about=about,
        checks=bound_to(procedure.layout),
        gates=gates,
        reader=reader_of(procedure, recording, calibration, passed_us),
        to_thickness=ThicknessStage(procedure, calibration) if calibration else None,
        second=_second(procedure, recording, calibration, known),
    )


def _second(
    procedure: Procedure, recording: Recording, calibration: Calibration | None, taught: Taught
) -> Pipeline | None:
    """Return the pipeline of the procedure's second interval, where there is one to measure."""
    second = procedure.second
    if second is None or calibration is None:
        return None
    if calibration.second is None:
        raise fault(
            "calibration",
            "was made without the procedure's second interval",
            remedy="calibrate anew with this procedure",
        )
    known = taught_of(second, recording, calibration.second, taught.guide)
    return bind(second, recording, calibration.second, known)


def _about(
    procedure: Procedure, recording: Recording, calibration: Calibration | None, gates: GateStage
) -> About:
    """Return what the checks are bound to."""
    nominal = About(
        layout=procedure.layout,
        recording=recording,
        probe=procedure.probe,
        limits=procedure.checks,
        measuring_mm=(procedure.range.min_mm, procedure.range.max_mm),
        taps=gates.taps,
        period=gates.meter.period,
        nominal_mm_per_us=procedure.material.velocity_mm_per_us,
        time_zero_us=procedure.nominal_zero_us,
    )
    if calibration is None:
        return nominal
    from_transmit = procedure.layout.from_transmit
    learned, between, coating = gates.taught.guide.learned, np.zeros(0), procedure.coating
    if len(learned.shapes) > 1:
        between = allowed_between(learned, arrival_reach(gates.meter.period))
    velocity = calibration.velocity_mm_per_us
    return replace(
        nominal,
        time_zero_us=calibration.zero_us if from_transmit else procedure.nominal_zero_us,
        velocity_mm_per_us=velocity,
        steps=calibration.table,
        learned=calibration.learned,
        arrivals=calibration.arrivals,
        between_arrivals=between,
        coating_ratio=coating.velocity_mm_per_us / velocity if coating else 0.0,
    )


def _check_block_temperature(procedure: Procedure, calibration: Calibration) -> None:
    """Refuse a block temperature other than the one the calibration was made at."""
    rule, noted = procedure.temperature, calibration.conditions.get("block_temperature_c")
    if rule is None or noted is None:
        return
    if abs(rule.block_c - float(noted)) > max(2.0 * rule.u_block_c, 0.5):
        raise fault(
            "temperature",
            f"block_c is {rule.block_c:g} °C, the calibration was made at {float(noted):g} °C",
            remedy="state the block's temperature as it was",
        )
