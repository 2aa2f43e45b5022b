"""From waveforms of known steps to a calibration: time them, leave out the doubtful, fit."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt

from ascan.base.errors import fault
from ascan.base.flags import Flag, is_fatal, names
from ascan.calibration.conditions import Conditions
from ascan.calibration.record import Calibration, Steps
from ascan.calibration.step_block import (
    StepFit,
    StepMeans,
    check_step_u_mm,
    fit_steps,
    gather_steps,
    one_value_a_step,
)
from ascan.check_learning import (
    behind_of,
    beside_of,
    guides_of,
    misfits_of,
    second_late_of,
    seconds_of,
    step_medians,
)
from ascan.engine.channels import channels_of
from ascan.engine.pipeline import Pipeline, guide_of, joined
from ascan.finding.first_arrival import ArrivalGuide
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray, IntArray
from ascan.learning.apertures import learn_walls
from ascan.learning.heads import Learned as HeadsLearned
from ascan.learning.heads import learn_heads, with_second
from ascan.learning.lags import learn_lags
from ascan.learning.records import CERTAIN, RecordFit, learn_records
from ascan.learning.templates import learn_shapes, learn_templates
from ascan.path.direct import interval_us
from ascan.path.modes import Begins
from ascan.procedure.tables import MeasuringRange
from ascan.procedure.written import Procedure, check_procedure
from ascan.results.readings import Readings
from ascan.waveform.scan import Scan, check_scan, refuse_masked

# Step tolerance of the step-wedge block of ISO 16946:2015 (clauses 4 and 5, from extracts of it):
# 0.02 mm up to 12.5 mm, 0.1 mm above; taken as rectangular.
TOLERANCE_MM = 0.02
THICK_TOLERANCE_MM = 0.1
THICK_FROM_MM = 12.5
THICKEST_MM = 10_000.0
PLAUSIBLE_VELOCITY = 0.05
# No alloy of a material is off its velocity by more than this factor: the steps or echoes are.
POSSIBLE_VELOCITY = 1.5
REPEATABLE_PERIODS = 0.1
# What steps leave of a whole-record fit is in its uncertainty; below this part of a wavelength it
# is no mix-up of steps or echoes.
SLIGHT_PERIODS = 0.005
# The same of single echoes, whose shape changes with depth: diffraction, a film of couplant.
SLIGHT_SINGLE_PERIODS = 0.01
# A step reading so many wavelengths off its step is of another half-cycle or echo.
MISREAD_PERIODS = 0.125
# One so near to the line of the other steps is of the half-cycle that theirs are of.
ON_LINE_PERIODS = 0.125
# Coupling seldom moves an echo by so much; another half-cycle, probe or step does.
AGREE_PERIODS = 0.25
# Two echoes of one probe differ in shape and in timing method by no more than this.
SHAPE_PERIODS = 2.0
# What wear face, couplant and trigger delay a contact probe beyond its nominal delay.
FACE_US = 1.0
# A curve has zero and scale besides its correction: fewer steps leave nothing to test it with.
LEAST_FOR_CURVE = 4
# No step may be off the curve fitted without it by more than this many of its standard
# uncertainties; among eight steps chance does so once in some two thousand.
CURVE_MISFIT = 4.0
# A correction this many times what is usual for its path is a step or an echo mixed up, or a probe
# of other dimensions.
MOST_CORRECTION = 6.0


# What to do where a flag keeps every step reading from being used.
WAYS_OUT = {
    Flag.GATE_CUT_SHORT: "let the gates end where the record does, or record for longer",
    Flag.GATE_OUTSIDE_RECORD: "put the gates where the record is, or record there",
    Flag.SATURATED: "take them again with less gain",
    Flag.LOW_SNR: "take them again with more gain, better coupling or averaging",
    Flag.NO_ECHO: "put the gates where the echoes are, lower their threshold, or mend gain and "
    "coupling",
    Flag.HALF_CYCLE_UNSURE: "state half_cycles of the gate",
    Flag.AT_GATE_EDGE: "let the gate begin before the thinnest step's echo does, and after the "
    "echo ahead has died down",
}


def block_u_mm(known_mm: FloatArray) -> FloatArray:
    """Return the standard uncertainty of steps about which nothing is certified.

    Examples
    --------
    >>> import numpy as np
    >>> block_u_mm(np.array([10.0, 25.0])).round(4)
    array([0.0115, 0.0577])
    """
    tolerance = np.where(known_mm <= THICK_FROM_MM, TOLERANCE_MM, THICK_TOLERANCE_MM)
    return np.asarray(tolerance / math.sqrt(3.0))


def calibrate(
    scan: Scan,
    procedure: Procedure,
    known_mm: npt.ArrayLike,
    *,
    u_known_mm: npt.ArrayLike | None = None,
    conditions: Conditions | None = None,
) -> Calibration:
    """Calibrate on waveforms taken on steps of known thickness.

    Parameters
    ----------
    scan : Scan
        The step readings; several rows may stand on one step.
    procedure : Procedure
    known_mm : array_like, shape (rows,)
        Certified thickness under each row; NaN for rows that are no step reading.
    u_known_mm : array_like, scalar or shape (rows,), optional
        Its standard uncertainty. Without it, the tolerance of an ISO 16946 step wedge.
    conditions : Conditions, optional
        Block, probe, couplant, operator ...; kept with the calibration.

    Returns
    -------
    calibration : Calibration
        Rows with any flag are left out and named in its conditions.

    Raises
    ------
    AscanError
        No usable reading, a thickness that is not positive, times that do not grow with thickness.

    Examples
    --------
    >>> from ascan.examples import PROCEDURE, plate_scan
    >>> import numpy as np
    >>> steps_mm = np.array([5.0, 10.0, 20.0])
    >>> procedure = Procedure.from_text(PROCEDURE)
    >>> calibration = calibrate(plate_scan(steps_mm), procedure, steps_mm, u_known_mm=0.01)
    >>> print(f"{calibration.velocity_mm_per_us:.3f} {abs(calibration.zero_us):.3f}")
    5.920 0.000
    """
    check_scan(scan)
    check_procedure(procedure)
    calibration = _calibrate_alone(scan, procedure, known_mm, u_known_mm)
    if conditions is not None:
        kept = conditions.as_texts() | dict(calibration.conditions)
        calibration = dataclasses.replace(calibration, conditions=kept)
    if procedure.second is None:
        return calibration
    guide = guide_of(procedure, scan.recording, calibration)
    witness = _calibrate_alone(scan, procedure.second, known_mm, u_known_mm, guide)
    return dataclasses.replace(calibration, witness=witness)


def _calibrate_alone(
    scan: Scan,
    procedure: Procedure,
    known_mm: npt.ArrayLike,
    u_known_mm: npt.ArrayLike | None,
    guide: ArrivalGuide | None = None,
) -> Calibration:
    """Calibrate the procedure's interval; ``guide`` holds what is known of its heads already."""
    refuse_masked(known_mm, "known_mm")
    refuse_masked(u_known_mm, "u_known_mm")
    known = np.asarray(known_mm, np.float64)
    if known.shape != (len(scan),):
        raise fault("known_mm", f"has shape {known.shape}", allowed=f"one per row, ({len(scan)},)")
    rows = np.flatnonzero(~np.isnan(known)).astype(np.int64)
    known = known[rows]
    if rows.size == 0 or not ((known > 0.0) & (known <= THICKEST_MM)).all():
        raise fault(
            "known_mm",
            "names no step, or one that is not of positive thickness",
            allowed=f"above 0 and up to {THICKEST_MM:g} mm; NaN where a row is no step reading",
        )
    u_known = _block_uncertainty(u_known_mm, known, rows, len(scan))
    known = one_value_a_step(known)
    _one_channel(scan, rows)
    layout = procedure.layout
    if procedure.gate(layout.gates[0]).seeks_first_arrival and guide is None:
        return _calibrate_heads(scan, procedure, rows, known, u_known)
    if layout.mode.begins is Begins.MODEL:
        learned = learn_records(scan.choose(rows.tolist()), procedure, known, u_known)
        return _calibrate_whole(scan, procedure, rows, known, u_known, learned)
    steps = scan.choose(rows.tolist())
    templates = learn_templates(steps, procedure, guide)
    lags_us = learn_lags(steps, procedure, templates, guide)
    pipeline = Pipeline(
        procedure, scan.recording, templates=templates, guide=guide, lags_us=lags_us
    )
    times = Readings(joined(found for _, found in pipeline.walk(steps)))
    usable = (times.flags & ~np.uint32(Flag.REPEATED)) == 0
    if not usable.any():
        left_out = _left_out(times, known, rows, usable)
        raise fault(
            "calibration",
            f"no step reading can be used ({left_out}); {_where_gates_lie(pipeline, steps)}",
            remedy=_way_out(times.flags),
        )
    usable = settled_by_steps(times, known, u_known, usable, procedure)
    left_out = _left_out(times, known, rows, usable)
    fit = _fit(times, known, u_known, usable, procedure)
    _refuse_impossible(fit, procedure)
    health = _health(fit, procedure) | {
        "every_step_used": set(known.tolist()) == set(known[usable].tolist())
    }
    tested = _tests_in_words(fit)
    # How far an interval between echoes of unlike shape drifts between the steps.
    drift_us = layout.mode.drift_periods / procedure.probe.frequency_mhz
    shapes = learn_shapes(pipeline, steps, times.columns)
    shaped = Pipeline(procedure, scan.recording, templates=shapes, guide=guide, lags_us=lags_us)
    again = Readings(joined(found for _, found in shaped.walk(steps)))
    calibration = Calibration(
        zero_us=fit.zero_us,
        velocity_mm_per_us=fit.velocity_mm_per_us,
        covariance=fit.covariance,
        repeatability_us=fit.repeatability_us,
        lack_of_fit_us=float(np.hypot(fit.lack_of_fit_us, drift_us)),
        steps=fit.steps,
        fitted_zero_us=fit.fitted_zero_us,
        u_fitted_zero_us=fit.u_fitted_zero_us,
        health=health,
        signature=procedure.signature(scan.recording),
        conditions=_conditions(scan, procedure, rows[usable].tolist(), left_out) | tested,
        templates=shapes,
        misfits=misfits_of(again, shapes, known, usable),
        lags_us=_lags_us(times, procedure, usable),
        heights=_heights(times, procedure, usable),
        **beside_of(again, procedure, known, usable),
        **guides_of(again, procedure, known, usable),
    )
    alone = dataclasses.replace(procedure, witness=None, coating=None, temperature=None)
    pipeline = Pipeline(alone, scan.recording, calibration, guide=guide)
    seen = Readings(joined(found for _, found in pipeline.walk(steps)))
    return dataclasses.replace(calibration, **behind_of(seen, procedure, known, usable))


def _lags_us(times: Readings, procedure: Procedure, usable: AnyArray) -> dict[str, float]:
    """Return by how much each gate's usable echoes were timed after the top of their envelope."""
    lags = {}
    for name in procedure.interval.gates:
        picks = times.picks(name)
        lag = (picks["time_us"] - picks["envelope_us"])[usable]
        known = lag[np.isfinite(lag)]
        if known.size and not procedure.gate(name).seeks_train:
            # Diffraction moves the wave under its envelope evenly from thin steps to thick ones.
            lags[name] = 0.5 * float(known.min() + known.max())
    return lags


def _heights(
    times: Readings, procedure: Procedure, usable: AnyArray
) -> dict[str, tuple[float, float]]:
    """Return least and largest height of each gate's usable echoes, as fractions of full scale."""
    heights = {}
    for name in procedure.interval.gates:
        size = np.abs(times.picks(name)["amplitude"][usable])
        heights[name] = (float(size.min()), float(size.max()))
    return heights


def _fit(
    times: Readings,
    known: FloatArray,
    u_known: FloatArray,
    usable: AnyArray,
    procedure: Procedure,
) -> StepFit:
    """Fit the usable readings."""
    interval, u_interval = times.columns["interval_us"], times.columns["u_interval_us"]
    means = gather_steps(known[usable], u_known[usable], interval[usable], u_interval[usable])
    return fit_steps(means, procedure.interval.mode, procedure.interval_material)


def settled_by_steps(
    times: Readings,
    known: FloatArray,
    u_known: FloatArray,
    usable: AnyArray,
    procedure: Procedure,
) -> AnyArray:
    """Return which readings can be used, those added whose half-cycle the other steps settle.

    By itself an echo may not say which of its half-cycles was timed; the line through the steps
    that do say it tells, if the reading lies on it.
    """
    doubtful = (times.flags & ~np.uint32(Flag.REPEATED | Flag.HALF_CYCLE_UNSURE)) == 0
    if np.unique(known[usable]).size < 2 or not (doubtful & ~usable).any():
        return usable
    fit = _fit(times, known, u_known, usable, procedure)
    expected_us = fit.zero_us + 2.0 * known / fit.velocity_mm_per_us
    off = np.abs(times.columns["interval_us"] - expected_us)
    on_line = off < ON_LINE_PERIODS / procedure.probe.frequency_mhz
    return np.asarray(usable | (doubtful & on_line))


def _calibrate_heads(
    scan: Scan, procedure: Procedure, rows: IntArray, known: FloatArray, u_known: FloatArray
) -> Calibration:
    """Calibrate a dual-element probe: a curve through the steps, and the head of its echo."""
    steps_only = scan.choose(rows.tolist())
    learned = learn_heads(steps_only, procedure, known, u_known)
    calibration = _head_calibration(scan, procedure, rows, known, learned)
    if procedure.layout.mode.begins is not Begins.MODEL:
        alone = dataclasses.replace(procedure, witness=None, coating=None)
        pipeline = Pipeline(alone, scan.recording, calibration)
        seen = Readings(joined(found for _, found in pipeline.walk(steps_only)))
        beside = beside_of(seen, procedure, known, learned.usable)
        misfits = misfits_of(seen, procedure.interval.gates, known, learned.usable)
        late = second_late_of(seen, procedure, known, learned.usable, np.inf)
        dual = learned.dual
        if late:
            dual = with_second(dual, np.unique(known[learned.usable]), *late.values())
        timed = dataclasses.replace(calibration, dual=dual, second_late_us=late)
        again = Pipeline(alone, scan.recording, timed)
        seen = Readings(joined(found for _, found in again.walk(steps_only)))
        seconds = seconds_of(seen, procedure, known, learned.usable)
        return dataclasses.replace(timed, misfits=misfits, seconds=seconds, **beside)
    walls = learn_walls(steps_only, procedure, known, u_known, learned)
    return _calibrate_whole(scan, procedure, rows, known, u_known, walls, calibration)


def _head_calibration(
    scan: Scan, procedure: Procedure, rows: IntArray, known: FloatArray, learned: HeadsLearned
) -> Calibration:
    """Return the calibration of a dual probe's heads and curve."""
    best, means, dual = learned.fits[0], learned.means, learned.dual
    nominal = procedure.material.velocity_mm_per_us
    velocity = nominal / best.scale
    jacobian = np.diag([1.0, -velocity / best.scale])
    thickest = float(means.thickness_mm.max())
    slope = np.gradient(dual.time_us, dual.thickness_mm)
    slope_at = np.interp(means.thickness_mm, dual.thickness_mm, slope)
    left_out = _left_out(learned.times, known, rows, learned.usable)
    steps = Steps(
        thickness_mm=means.thickness_mm,
        u_thickness_mm=means.u_thickness_mm,
        interval_us=means.interval_us,
        u_interval_us=means.u_interval_us,
        readings=means.readings,
        residual_mm=best.residual_us / slope_at,
    )
    health = {
        "range_is_bracketed": _is_bracketed(means.thickness_mm, procedure.range),
        "residuals_tested": means.thickness_mm.size >= LEAST_FOR_CURVE,
        "residuals_explained": bool(
            best.misfit <= CURVE_MISFIT and best.correction_us <= MOST_CORRECTION * best.usual_us
        ),
        "half_cycles_as_found": not any(learned.shifted.values()),
        "velocity_plausible": bool(abs(velocity / nominal - 1.0) <= PLAUSIBLE_VELOCITY),
        **_repeats(means, means.repeatability_us, procedure),
        "every_step_used": set(known.tolist()) == set(known[learned.usable].tolist()),
    }
    told = "; ".join(f"{fit.model} {fit.score:.1f}" for fit in learned.fits)
    moved = [f"{step:g} mm by {shift:+d}" for step, shift in learned.shifted.items() if shift]
    return Calibration(
        # Where a straight line of this velocity through the thickest step starts.
        zero_us=float(np.interp(thickest, dual.thickness_mm, dual.time_us))
        - interval_us(thickest, 0.0, velocity),
        velocity_mm_per_us=velocity,
        covariance=jacobian @ best.covariance @ jacobian.T,
        repeatability_us=means.repeatability_us,
        lack_of_fit_us=best.correction_us,
        steps=steps,
        fitted_zero_us=np.nan,
        u_fitted_zero_us=np.nan,
        health=health,
        signature=procedure.signature(scan.recording),
        conditions=_conditions(scan, procedure, rows[learned.usable].tolist(), left_out)
        | {
            "path": f"{best.model} (information criterion, the least is taken: {told})",
            "half_cycles_moved": ", ".join(moved) or "none",
            "timed_half_cycle": "positive" if dual.polarity > 0 else "negative",
        },
        heights=_heights(learned.times, procedure, learned.usable),
        **guides_of(learned.times, procedure, known, learned.usable),
        shares={procedure.interval.gates[0]: learned.shares},
        dual=dual,
    )


def _steps_as_known(known: FloatArray, u_known: FloatArray) -> Steps:
    """Return the steps before anything was measured on them."""
    nothing = np.full(known.size, np.nan)
    return Steps(
        thickness_mm=known,
        u_thickness_mm=u_known,
        interval_us=nothing,
        u_interval_us=nothing,
        readings=np.ones(known.size, np.int64),
        residual_mm=nothing,
    )


def _calibrate_whole(
    scan: Scan,
    procedure: Procedure,
    rows: IntArray,
    known: FloatArray,
    u_known: FloatArray,
    learned: RecordFit,
    heads: Calibration | None = None,
) -> Calibration:
    """Calibrate on whole records: pulses, operator, velocity, and what all of them are good for.

    ``heads`` is the calibration of a dual probe's heads, by which its records are found.
    """
    steps = scan.choose(rows.tolist())
    velocity, u_velocity = learned.velocity_mm_per_us, learned.u_velocity_mm_per_us
    head = procedure.interval.gates[0]
    first = Calibration(
        zero_us=0.0,
        velocity_mm_per_us=velocity,
        covariance=np.diag([0.0, u_velocity**2]),
        repeatability_us=0.0,
        lack_of_fit_us=2.0 / velocity * learned.lack_of_fit_mm,
        steps=_steps_as_known(known, u_known),
        fitted_zero_us=np.nan,
        u_fitted_zero_us=np.nan,
        health={},
        signature=procedure.signature(scan.recording),
        conditions={},
        whole=learned.part,
        dual=heads.dual if heads else None,
        shares=heads.shares if heads else {},
        lefts={head: tuple(np.nan_to_num(learned.left))} if heads else {},
    )
    pipeline = Pipeline(procedure, scan.recording, first)
    times = Readings(joined(found for _, found in pipeline.walk(steps)))
    misread = np.abs(times.columns["interval_us"] * velocity / 2.0 - known) > (
        MISREAD_PERIODS * velocity / procedure.probe.frequency_mhz
    )
    usable = learned.used & ~is_fatal(times.flags) & ~misread
    if not usable.any():
        raise fault(
            "calibration",
            f"reads none of its own steps right ({_left_out(times, known, rows, usable)})",
            remedy="check the gates, which step each row stands on, and that the record begins "
            "some three periods and more ahead of the surface echo",
        )
    interval, u_interval = times.columns["interval_us"], times.columns["u_interval_us"]
    means = gather_steps(known[usable], u_known[usable], interval[usable], u_interval[usable])
    nominal = procedure.material.velocity_mm_per_us
    health = {
        "range_is_bracketed": _is_bracketed(means.thickness_mm, procedure.range),
        "residuals_tested": means.thickness_mm.size >= LEAST_FOR_CURVE,
        "residuals_explained": not learned.p_value < CERTAIN
        or learned.lack_of_fit_mm < SLIGHT_PERIODS * velocity / procedure.probe.frequency_mhz,
        "velocity_plausible": abs(velocity / nominal - 1.0) <= PLAUSIBLE_VELOCITY,
        **_repeats(means, means.repeatability_us, procedure),
        "every_step_used": set(known.tolist()) == set(known[usable].tolist()),
        "enough_steps_read": means.thickness_mm.size >= min(LEAST_FOR_CURVE, np.unique(known).size),
        "no_step_misread": not (misread & learned.used).any(),
    }
    left_out = _left_out(times, known, rows, usable)
    told = {
        "left_out_steps_test": f"p {learned.p_value:.2g}, each step measured with the others'",
        "not_learned": ", ".join(learned.unlearned) or "nothing",
    }
    return dataclasses.replace(
        first,
        repeatability_us=means.repeatability_us,
        steps=Steps(
            thickness_mm=means.thickness_mm,
            u_thickness_mm=means.u_thickness_mm,
            interval_us=means.interval_us,
            u_interval_us=means.u_interval_us,
            readings=means.readings,
            residual_mm=0.5 * velocity * means.interval_us - means.thickness_mm,
        ),
        health=health,
        conditions=dict(heads.conditions if heads else {})
        | _conditions(scan, procedure, rows[usable].tolist(), left_out)
        | told,
        heights=_heights(times, procedure, usable),
        **guides_of(times, procedure, known, usable),
        **beside_of(times, procedure, known, usable),
        lefts={head: step_medians(learned.left, known, usable)} if heads else {},
        seconds=seconds_of(times, procedure, known, usable) if heads else {},
        # Which steps a fit of all echoes explains, it says itself.
        misfits=misfits_of(
            times, procedure.interval.gates, known, usable, (times.flags == 0) | bool(heads)
        ),
    )


def _repeats(means: StepMeans | Steps, repeatability_us: float, how: Procedure) -> dict[str, bool]:
    """Return the health figures of repeated readings."""
    periods = repeatability_us * how.probe.frequency_mhz
    return {
        "repeatability_tested": bool((means.readings > 1).any()),
        "repeatable": periods <= REPEATABLE_PERIODS,
        "readings_agree": periods <= AGREE_PERIODS,
    }


def _is_bracketed(steps_mm: FloatArray, span: MeasuringRange) -> bool:
    """Tell whether the steps bracket the measuring range, where one is stated."""
    bracketed = steps_mm.min() <= span.min_mm and steps_mm.max() >= span.max_mm
    return bool(bracketed or span == MeasuringRange())


def _block_uncertainty(
    given: npt.ArrayLike | None, known: FloatArray, rows: IntArray, count: int
) -> FloatArray:
    if given is None:
        return block_u_mm(known)
    u = np.asarray(given, np.float64)
    if u.shape not in ((), (count,)):
        raise fault("u_known_mm", f"has shape {u.shape}", allowed=f"one value or ({count},)")
    u = np.broadcast_to(u, (count,))[rows]
    check_step_u_mm(known, u)
    return u


def _way_out(flags: FlagArray) -> str:
    """Return what mends the commonest of the flags on step readings of which none can be used."""
    counts = {flag: int((flags & np.uint32(flag) != 0).sum()) for flag in WAYS_OUT}
    most = max(counts, key=lambda flag: counts[flag])
    return WAYS_OUT[most] if counts[most] else "mend the gates, the gain or the coupling"


def _left_out(times: Readings, known: FloatArray, rows: IntArray, usable: AnyArray) -> str:
    parts = [
        f"row {rows[k]} on {known[k]:g} mm: {names(int(times.flags[k]))}"
        for k in np.flatnonzero(~usable)
    ]
    return ", ".join(parts) or "none"


def _where_gates_lie(pipeline: Pipeline, steps: Scan) -> str:
    """Return the span of the first record, and those of all gates, in words."""
    begin_us = float(steps.start_time_us[0])
    end_us = begin_us + (steps.shape[1] - 1) / steps.recording.sample_rate_mhz
    told = [f"the record runs from {begin_us:g} to {end_us:g} µs"]
    for gate in pipeline.procedure.gates:
        low_us, high_us = pipeline.window_us(gate)
        after = f"after gate '{gate.follows}'" if gate.follows else "of the clock"
        told.append(f"gate '{gate.name}' from {low_us:.2f} to {high_us:.2f} µs {after}")
    return ", ".join(told)


def _refuse_impossible(fit: StepFit, procedure: Procedure) -> None:
    """Refuse a fit that no wall of this material can have."""
    early = fit.steps.interval_us <= 0.0
    if early.any():
        raise fault(
            "calibration",
            f"the interval on the {fit.steps.thickness_mm[early][0]:g} mm step is "
            f"{fit.steps.interval_us[early][0]:.4f} µs",
            allowed="above 0 µs",
            remedy="check which gates the interval names, and in which order",
        )
    nominal = procedure.interval_material.velocity_mm_per_us
    ratio = fit.velocity_mm_per_us / nominal
    if not 1.0 / POSSIBLE_VELOCITY <= ratio <= POSSIBLE_VELOCITY:
        raise fault(
            "calibration",
            f"the velocity comes out as {fit.velocity_mm_per_us:.4g} mm/µs, the material's is "
            f"{nominal:g} mm/µs",
            remedy="check that the steps are in mm and on the right rows, and which echo is timed",
        )


def _tests_in_words(fit: StepFit) -> dict[str, str]:
    """Return what the lack-of-fit test found, and what it could have found."""
    if np.isnan(fit.p_value):
        return {}
    told = {
        "lack_of_fit_test": f"p {fit.p_value:.2g} on {fit.freedom} degrees of freedom; four times "
        f"in five it finds a scatter of {1e3 * fit.detectable_us:.1f} ns, "
        f"{0.5e3 * fit.velocity_mm_per_us * fit.detectable_us:.0f} µm"
    }
    return told | ({"doubted_step": str(fit.doubt)} if fit.doubt else {})


def _zero_is_plausible(fit: StepFit, procedure: Procedure) -> bool:
    """Tell whether the zero offset is one that pulse shape and probe can explain."""
    periods = 1.0 / procedure.probe.frequency_mhz
    if procedure.layout.mode.begins is Begins.INTERFACE:
        return abs(fit.zero_us) <= SHAPE_PERIODS * periods
    if procedure.layout.arrangement == "contact":
        return abs(fit.zero_us - procedure.probe.delay_us) <= max(FACE_US, 5.0 * periods)
    return True


def _health(fit: StepFit, procedure: Procedure) -> dict[str, bool]:
    steps = fit.steps.thickness_mm
    fitted = 2 if procedure.layout.mode.free_zero and steps.size > 1 else 1
    nominal = procedure.interval_material.velocity_mm_per_us
    # So little is no mix-up, and is in the uncertainty.
    slight_us = 2.0 * SLIGHT_SINGLE_PERIODS / procedure.probe.frequency_mhz
    slight_mm = 0.5 * fit.velocity_mm_per_us * slight_us
    return {
        "range_is_bracketed": _is_bracketed(steps, procedure.range),
        "residuals_tested": steps.size > fitted,
        "residuals_explained": not fit.p_value < 0.01 or fit.lack_of_fit_us < slight_us,
        "no_step_doubted": fit.doubt is None or abs(fit.doubt.off_mm) < slight_mm,
        "velocity_plausible": abs(fit.velocity_mm_per_us / nominal - 1.0) <= PLAUSIBLE_VELOCITY,
        "zero_plausible": _zero_is_plausible(fit, procedure),
        "offset_is_zero": not abs(fit.fitted_zero_us) > 3.0 * fit.u_fitted_zero_us + slight_us,
        **_repeats(fit.steps, fit.repeatability_us, procedure),
    }


def _one_channel(scan: Scan, rows: IntArray) -> str:
    """Return the channel of the step readings, "" where the scan does not say."""
    channels = channels_of(scan)
    if channels is None:
        return ""
    present = np.unique(channels[rows]).tolist()
    if len(present) > 1:
        raise fault(
            "calibration",
            f"step readings are of channels {', '.join(map(str, present))}",
            remedy="calibrate each channel on its own rows",
        )
    return str(present[0])


def _conditions(
    scan: Scan, procedure: Procedure, used: Sequence[int], left_out: str
) -> dict[str, str]:
    channel = _one_channel(scan, np.asarray(used, np.int64))
    return ({"channel": channel} if channel else {}) | {
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "scan": scan.name,
        "procedure": procedure.title,
        "material": procedure.material.name,
        "rows_used": ", ".join(str(row) for row in used),
        "rows_left_out": left_out,
    }
