"""A calibration of a dual-element probe: a curve through the steps, and its first arrivals."""

from __future__ import annotations

import dataclasses

import numpy as np

from ascan.calibration.fit import Fit
from ascan.calibration.record import Calibration
from ascan.checks.lesson import Pass, StepReadings
from ascan.checks.second_echo import SECOND_DELAY
from ascan.engine.binding import bind
from ascan.engine.blocks import readings_of
from ascan.engine.readers.dual import RECORD_RESIDUAL
from ascan.engine.taught import ARRIVAL_RATIO
from ascan.learning.apertures import learn_walls
from ascan.learning.first_arrivals import ArrivalsLearned, learn_first_arrivals, with_second
from ascan.learning.health import is_bracketed, is_plausible, repeats
from ascan.learning.known import Known
from ascan.learning.learners.layered import LEAST_FOR_CURVE, calibrate_whole, calibration_before
from ascan.learning.passes import learned_after
from ascan.learning.words import conditions_of
from ascan.path.direct import interval_us
from ascan.procedure.written import Procedure

# No step may be off the curve fitted without it by more than this many of its standard
# uncertainties; among eight steps chance does so once in some two thousand.
CURVE_MISFIT = 4.0
# A correction this many times what is usual for its path is a step or an echo mixed up, or a probe
# of other dimensions.
MOST_CORRECTION = 6.0


def learn_dual(known: Known, procedure: Procedure) -> Calibration:
    """Return the calibration of a dual-element probe, of its whole records if those are fitted."""
    found = learn_first_arrivals(known, procedure)
    sound = np.ones(known.mm.size, np.bool_)
    on = known.read(
        found.times.columns, procedure.layout, found.usable, sound, procedure.layout.gates
    )
    calibration = _curve(known, procedure, found, on)
    if not procedure.layout.of_whole_record:
        return _followed(known, procedure, calibration, on)
    walls = learn_walls(known, procedure, found)
    gate, left = procedure.layout.back_wall, known.table.per_step(walls.left, known.ids, walls.used)
    before = dataclasses.replace(
        calibration_before(known, procedure, walls),
        arrivals=calibration.arrivals,
        conditions=calibration.conditions,
        learned={
            ARRIVAL_RATIO: calibration.learned[ARRIVAL_RATIO],
            RECORD_RESIDUAL: {gate: left},
        },
    )
    return calibrate_whole(known, procedure, walls, before)


def _followed(
    known: Known, procedure: Procedure, calibration: Calibration, on: StepReadings
) -> Calibration:
    """Return the calibration with what follows the first arrivals on the steps."""
    scan = known.scan
    alone = dataclasses.replace(procedure, second_interval=None, coating=None)
    seen = readings_of(bind(alone, scan.recording, calibration), scan)
    looked_at = dataclasses.replace(on, columns=seen.columns)
    learned = dict(calibration.learned)
    learned |= learned_after(looked_at, Pass.SHAPED, Pass.CALIBRATED)
    arrivals = calibration.arrivals
    late = learned.get(SECOND_DELAY, {}).get(procedure.layout.back_wall)
    if late is not None and arrivals is not None:
        has = ~np.isnan(late)
        arrivals = with_second(arrivals, on.steps.thickness_mm[has], late[has])
    timed = dataclasses.replace(calibration, arrivals=arrivals, learned=learned)
    again = readings_of(bind(alone, scan.recording, timed), scan)
    followed = dataclasses.replace(on, columns=again.columns)
    return dataclasses.replace(timed, learned=learned | learned_after(followed, Pass.FOLLOWED))


def _curve(
    known: Known, procedure: Procedure, found: ArrivalsLearned, on: StepReadings
) -> Calibration:
    """Return the calibration of a dual probe's first arrivals and curve."""
    best, means, curve = found.fits[0], found.means, found.arrivals
    nominal = procedure.material.velocity_mm_per_us
    velocity = nominal / best.scale
    jacobian = np.diag([1.0, -velocity / best.scale])
    thickest = float(means.thickness_mm.max())
    slope = np.gradient(curve.time_us, curve.thickness_mm)
    slope_at = np.interp(means.thickness_mm, curve.thickness_mm, slope)
    # Where a straight line of this velocity through the thickest step starts.
    zero_us = float(np.interp(thickest, curve.thickness_mm, curve.time_us))
    zero_us -= interval_us(thickest, 0.0, velocity)
    flags = found.times.flags
    return Calibration(
        fit=Fit(
            zero_us=zero_us,
            velocity_mm_per_us=velocity,
            covariance=jacobian @ best.covariance @ jacobian.T,
            repeatability_us=means.repeatability_us,
            lack_of_fit_us=best.correction_us,
        ),
        steps=means.steps(best.residual_us / slope_at),
        table=on.steps,
        health=_health(found, procedure, velocity) | known.health(found.usable),
        signature=procedure.signature(known.scan.recording),
        conditions=conditions_of(known, procedure, found.usable, flags) | _told(found),
        arrivals=curve,
        learned=learned_after(on, Pass.TIMED) | {ARRIVAL_RATIO: {on.layout.back_wall: found.ratio}},
    )


def _health(
    found: ArrivalsLearned, procedure: Procedure, velocity_mm_per_us: float
) -> dict[str, bool]:
    """Return the health figures of a curve."""
    best, means = found.fits[0], found.means
    usual = best.correction_us <= MOST_CORRECTION * best.usual_us
    return {
        "range_is_bracketed": is_bracketed(means.thickness_mm, procedure.range),
        "residuals_tested": means.thickness_mm.size >= LEAST_FOR_CURVE,
        "residuals_explained": bool(best.misfit <= CURVE_MISFIT and usual),
        "half_cycles_as_found": not any(found.shifted.values()),
        "velocity_plausible": is_plausible(velocity_mm_per_us, procedure),
        "dimensions_stated": procedure.probe.geometry() is not None,
        **repeats(means, means.repeatability_us, procedure),
    }


def _told(found: ArrivalsLearned) -> dict[str, str]:
    """Return what path and half-cycles were taken, in words."""
    told = "; ".join(f"{fit.model} {fit.score:.1f}" for fit in found.fits)
    moved = [f"{step:g} mm by {shift:+d}" for step, shift in found.shifted.items() if shift]
    return {
        "path": f"{found.fits[0].model} (information criterion, the least is taken: {told})",
        "half_cycles_moved": ", ".join(moved) or "none",
        "timed_half_cycle": "positive" if found.arrivals.polarity > 0 else "negative",
    }
