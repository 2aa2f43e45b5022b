"""A calibration of whole records: pulses, operator, velocity, and what all of them are good for."""

from __future__ import annotations

import dataclasses

import numpy as np

from ascan.base.errors import calibration_fault as fault
from ascan.base.flags import is_fatal, is_marked
from ascan.calibration.fit import Fit
from ascan.calibration.record import Calibration
from ascan.calibration.step_means import StepMeans, gather_steps
from ascan.checks.lesson import Pass
from ascan.engine.binding import bind
from ascan.engine.blocks import readings_of
from ascan.engine.readers.dual import RECORD_RESIDUAL
from ascan.learning.health import CERTAIN, is_bracketed, is_plausible, repeats
from ascan.learning.known import Known
from ascan.learning.left_out import RecordFit
from ascan.learning.passes import learned_after
from ascan.learning.records import learn_records
from ascan.learning.words import conditions_of
from ascan.procedure.written import Procedure
from ascan.steps.means import steps_as_known

# What steps leave of a whole-record fit is in its uncertainty; below this part of a wavelength it
# is no mix-up of steps or echoes.
SLIGHT_PERIODS = 0.03125
# A step reading so many wavelengths off its step is of another half-cycle or echo.
MISREAD_PERIODS = 0.125
# A curve has zero and scale besides its correction: fewer steps leave nothing to test it with.
LEAST_FOR_CURVE = 4


def learn_layered(known: Known, procedure: Procedure) -> Calibration:
    """Return the calibration of layered records."""
    learned = learn_records(known, procedure)
    first = calibration_before(known, procedure, learned)
    return calibrate_whole(known, procedure, learned, first)


def calibration_before(known: Known, procedure: Procedure, learned: RecordFit) -> Calibration:
    """Return what the steps' records can be read with, before anything was read."""
    velocity, u_velocity = learned.velocity_mm_per_us, learned.u_velocity_mm_per_us
    return Calibration(
        fit=Fit(
            zero_us=0.0,
            velocity_mm_per_us=velocity,
            covariance=np.diag([0.0, u_velocity**2]),
            repeatability_us=0.0,
            lack_of_fit_us=2.0 / velocity * learned.lack_of_fit_mm,
        ),
        steps=steps_as_known(known.mm, known.u_mm),
        table=known.table_with(np.ones(known.mm.size, np.bool_)),
        health={},
        signature=procedure.signature(known.scan.recording),
        conditions={},
        record_model=learned.model,
    )


def calibrate_whole(
    known: Known, procedure: Procedure, learned: RecordFit, first: Calibration
) -> Calibration:
    """Return the calibration that reading the steps with the model gives."""
    velocity = learned.velocity_mm_per_us
    times = readings_of(bind(procedure, known.scan.recording, first), known.scan)
    off_mm = np.abs(times.columns["interval_us"] * velocity / 2.0 - known.mm)
    misread = off_mm > MISREAD_PERIODS * velocity / procedure.probe.frequency_mhz
    usable = learned.used & ~is_fatal(times.flags) & ~misread
    if not usable.any():
        raise fault(
            "calibration",
            f"reads none of its own steps right ({known.told(times.flags, usable)})",
            remedy="check the gates, which step each row stands on, and that the record begins "
            "some three periods and more ahead of the interface echo",
        )
    interval, u_interval = times.columns["interval_us"], times.columns["u_interval_us"]
    means = gather_steps(known.mm[usable], known.u_mm[usable], interval[usable], u_interval[usable])
    # Which steps a fit of all echoes explains, it says itself.
    sound = ~is_marked(times.flags) | (first.arrivals is not None)
    on = known.read(times.columns, procedure.layout, usable, sound, procedure.layout.gates)
    left_too = [(RECORD_RESIDUAL, on.layout.back_wall)] if first.arrivals is not None else []
    told = {
        "left_out_steps_test": f"p {learned.p_value:.2g}, each step measured with the others'",
        "not_learned": ", ".join(learned.unlearned) or "nothing",
    }
    return dataclasses.replace(
        first,
        fit=dataclasses.replace(first.fit, repeatability_us=means.repeatability_us),
        steps=means.steps(0.5 * velocity * means.interval_us - means.thickness_mm),
        table=on.steps,
        health=_health(means, learned, procedure)
        | known.health(usable)
        | {
            "enough_steps_read": means.thickness_mm.size
            >= min(LEAST_FOR_CURVE, known.table.used.size),
            "no_step_misread": not (misread & learned.used).any(),
        },
        conditions=dict(first.conditions)
        | conditions_of(known, procedure, usable, times.flags)
        | told,
        learned=dict(first.learned)
        | learned_after(on, Pass.TIMED, Pass.SHAPED, Pass.FOLLOWED)
        | {value: {gate: on.per_step(learned.left)} for value, gate in left_too},
    )


def _health(means: StepMeans, learned: RecordFit, procedure: Procedure) -> dict[str, bool]:
    """Return the health figures of a model of whole records."""
    velocity = learned.velocity_mm_per_us
    slight_mm = SLIGHT_PERIODS * velocity / procedure.probe.frequency_mhz
    return {
        "range_is_bracketed": is_bracketed(means.thickness_mm, procedure.range),
        "residuals_tested": means.thickness_mm.size >= LEAST_FOR_CURVE,
        "residuals_explained": not learned.p_value < CERTAIN or learned.lack_of_fit_mm < slight_mm,
        "velocity_plausible": is_plausible(velocity, procedure),
        "delay_stated": procedure.probe.is_dual or procedure.probe.delay_us != 0.0,
        **repeats(means, means.repeatability_us, procedure),
    }
