"""A calibration of single echoes or of a train: time the steps, leave out the doubtful, fit."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import numpy as np

from ascan.base.errors import calibration_fault as fault
from ascan.base.flags import NOTES, Flag
from ascan.calibration.record import Calibration
from ascan.calibration.scatter import USUAL_PERIODS
from ascan.calibration.step_block import StepFit, fit_steps
from ascan.calibration.step_means import gather_steps
from ascan.checks.lesson import Pass
from ascan.engine.binding import bind
from ascan.engine.blocks import readings_of
from ascan.engine.readers.echoes import leads_of
from ascan.engine.taught import taught_of
from ascan.finding.first_arrival import ArrivalGuide
from ascan.kernels.arrays import AnyArray, BoolArray
from ascan.learning.cycle_offsets import learn_cycle_offsets
from ascan.learning.health import health_of, tests_in_words
from ascan.learning.known import Known
from ascan.learning.passes import learned_after
from ascan.learning.templates import learn_shapes, learn_templates
from ascan.learning.words import conditions_of, nothing_usable
from ascan.procedure.written import Procedure
from ascan.results.readings import gate_column
from ascan.timing.interval import take_intervals

# No alloy of a material is off its velocity by more than this factor: the steps or echoes are.
POSSIBLE_VELOCITY = 1.5
# One so near to the line of the other steps is of the half-cycle that theirs are of.
ON_LINE_PERIODS = 0.125
# A step reading with these is as good as any.
IN_FIT = np.uint32(NOTES | Flag.RECORD_DUPLICATE)


# A nominal diameter is that of the element, whose effective one differs by some percent (common
# practice).
ELEMENT_SHARE = 0.05


def learn_echoes(
    known: Known, procedure: Procedure, guide: ArrivalGuide | None = None
) -> Calibration:
    """Return the calibration; ``guide`` holds what is known of its first arrivals already."""
    scan, layout = known.scan, procedure.layout
    taught = taught_of(procedure, scan.recording, guide=guide)
    taught = dataclasses.replace(taught, templates=learn_templates(known, procedure, taught))
    taught = dataclasses.replace(
        taught, cycle_offset_us=learn_cycle_offsets(known, procedure, taught)
    )
    pipeline = bind(procedure, scan.recording, taught=taught)
    times = readings_of(pipeline, scan)
    usable = (times.flags & ~IN_FIT) == 0
    if not usable.any():
        raise nothing_usable(known, pipeline, times.flags)
    usable = settled_by_steps(known, times.columns, usable, procedure)
    found = _fit(known, times.columns, usable, procedure)
    _refuse_impossible(found, procedure)
    shapes = learn_shapes(pipeline, scan, times.columns)
    shaped = bind(procedure, scan.recording, taught=dataclasses.replace(taught, templates=shapes))
    again = readings_of(shaped, scan)
    sound = np.ones(usable.size, np.bool_)
    timed = known.read(times.columns, layout, usable, sound, tuple(shapes))
    looked_at = dataclasses.replace(timed, columns=again.columns)
    learned = learned_after(timed, Pass.CYCLE, Pass.TIMED) | learned_after(looked_at, Pass.SHAPED)
    # How far an interval between echoes of unlike shape drifts between the steps.
    drift_us = layout.mode.drift_periods / procedure.probe.frequency_mhz
    lack_us = float(np.hypot(found.fit.lack_of_fit_us, drift_us))
    calibration = Calibration(
        fit=dataclasses.replace(found.fit, lack_of_fit_us=lack_us),
        steps=found.steps,
        table=timed.steps,
        health=health_of(found, procedure) | known.health(usable),
        signature=procedure.signature(scan.recording),
        conditions=conditions_of(known, procedure, usable, times.flags)
        | tests_in_words(found)
        | material_velocity(known, times.columns, usable, procedure),
        templates=shapes,
        learned=learned,
    )
    alone = dataclasses.replace(procedure, second_interval=None, coating=None, temperature=None)
    taught = taught_of(alone, scan.recording, calibration, guide)
    seen = readings_of(bind(alone, scan.recording, calibration, taught), scan)
    calibrated = dataclasses.replace(timed, columns=seen.columns)
    learned = learned | learned_after(calibrated, Pass.CALIBRATED)
    return dataclasses.replace(calibration, learned=learned)


def settled_by_steps(
    known: Known, columns: Mapping[str, AnyArray], usable: BoolArray, procedure: Procedure
) -> BoolArray:
    """Return which readings can be used, those added whose half-cycle the other steps settle.

    By itself an echo may not say which of its half-cycles was timed; the line through the steps
    that do say it tells, if the reading lies on it.
    """
    doubtful = (columns["flags"] & ~(IN_FIT | np.uint32(Flag.CYCLE_UNCERTAIN))) == 0
    if np.unique(known.ids[usable]).size < 2 or not (doubtful & ~usable).any():
        return usable
    fit = _fit(known, columns, usable, procedure).fit
    expected_us = fit.zero_us + 2.0 * known.mm / fit.velocity_mm_per_us
    off = np.abs(columns["interval_us"] - expected_us)
    on_line = off < ON_LINE_PERIODS / procedure.probe.frequency_mhz
    return np.asarray(usable | (doubtful & on_line))


def _fit(
    known: Known, columns: Mapping[str, AnyArray], usable: BoolArray, procedure: Procedure
) -> StepFit:
    """Fit the usable readings."""
    interval, u_interval = columns["interval_us"][usable], columns["u_interval_us"][usable]
    means = gather_steps(known.mm[usable], known.u_mm[usable], interval, u_interval)
    return fit_steps(
        means,
        procedure.interval.mode,
        procedure.interval_material,
        usual_us=USUAL_PERIODS / procedure.probe.frequency_mhz,
        known_us=procedure.known_scatter_us,
    )


def material_velocity(
    known: Known, columns: Mapping[str, AnyArray], usable: BoolArray, procedure: Procedure
) -> dict[str, str]:
    """Return the material's velocity in words, where diffraction can be taken off.

    What is fitted to the times is the velocity that turns them into walls over the calibrated
    range: diffraction and the path are in it. Times freed of diffraction give the material's. Its u
    holds the fit, and an element that is `ELEMENT_SHARE` wider or narrower than stated.
    """
    gates, interface = procedure.layout.gates, procedure.layout.interface
    several = np.unique(known.ids[usable]).size > 1
    if not (several and procedure.layout.times_single_echoes and leads_of(procedure)):
        return {}
    times_us = {name: columns[gate_column(name, "time_us")] for name in {*gates, interface} - {""}}
    found = []
    for wide in (1.0, 1.0 + ELEMENT_SHARE):
        leads = leads_of(procedure, times=wide)
        assert leads is not None
        freed = [leads.freed(times_us[name], times_us.get(interface)) for name in gates]
        interval_us, u_us = np.empty(len(usable)), np.empty(len(usable))
        take_intervals(np.stack(freed), np.zeros((len(gates), len(usable))), interval_us, u_us)
        found.append(_fit(known, {**columns, "interval_us": interval_us}, usable, procedure).fit)
    velocity = found[0].velocity_mm_per_us
    u = np.hypot(np.sqrt(found[0].covariance[1, 1]), found[1].velocity_mm_per_us - velocity)
    return {"material_velocity": f"{velocity:.4f} mm/µs, u {u:.4f}, freed of diffraction"}


def _refuse_impossible(found: StepFit, procedure: Procedure) -> None:
    """Refuse a fit that no wall of this material can have."""
    early = found.steps.interval_us <= 0.0
    if early.any():
        raise fault(
            "calibration",
            f"the interval on the {found.steps.thickness_mm[early][0]:g} mm step is "
            f"{found.steps.interval_us[early][0]:.4f} µs",
            allowed="above 0 µs",
            remedy="check which gates the interval names, and in which order",
        )
    nominal, velocity = (
        procedure.interval_material.velocity_mm_per_us,
        found.fit.velocity_mm_per_us,
    )
    if not 1.0 / POSSIBLE_VELOCITY <= velocity / nominal <= POSSIBLE_VELOCITY:
        raise fault(
            "calibration",
            f"the velocity comes out as {velocity:.4g} mm/µs, the material's is {nominal:g} mm/µs",
            remedy="check that the steps are in mm and on the right rows, and which echo is timed",
        )
