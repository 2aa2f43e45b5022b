"""Learning a dual-element probe's first arrivals from step readings, and its calibration curve.

Which half-cycle opens the echo, and of which polarity it is, is not known beforehand. Both
polarities are tried, and on every step the half-cycles a period off; those are taken that the
steps' thicknesses explain best. Then the first arrival is learned from them, and all is timed once
more with it.
"""

from __future__ import annotations

import dataclasses
import itertools
from dataclasses import dataclass

import numpy as np

from ascan.base.errors import AscanError
from ascan.base.errors import calibration_fault as fault
from ascan.base.flags import Flag
from ascan.calibration.curve import CurveFit, PathModel, choose_curve, least_score
from ascan.calibration.step_means import StepMeans, gather_steps
from ascan.calibration.vee_fit import LEAST_STEPS
from ascan.echo.bound import Taught
from ascan.engine.binding import bind
from ascan.engine.blocks import joined
from ascan.engine.gates import gates_of
from ascan.engine.taught import guide_of
from ascan.finding.arrival_match import OPENING
from ascan.finding.first_arrival import ArrivalGuide
from ascan.kernels.arrays import AnyArray, BoolArray, Columns, FloatArray
from ascan.learning.arrival_models import (
    fitted_half_separation_mm,
    path_models,
    vee_path,
    without_unlike,
)
from ascan.learning.arrival_shapes import (
    Attempt,
    arrival_ratios,
    cross_talk_of,
    cut_arrivals,
    mean_arrivals,
)
from ascan.learning.known import Known
from ascan.procedure.written import Procedure
from ascan.results.readings import Readings
from ascan.steps.models import FirstArrivals
from ascan.waveform.scan import Scan

# Half-cycles of one polarity come in steps of two.
SHIFTS = (-2, 0, 2)
# A step is moved to another half-cycle only on strong evidence: this much of −2 ln likelihood.
STRONG = 12.0
BLOCK_ROWS = 256
UNSURE = np.uint32(Flag.CYCLE_UNCERTAIN)
# Prior relative uncertainty of the velocity: alloys of steel differ by less (common practice).
U_SCALE = 0.01
# On steps an arrival may be this part of the largest signal in the gate: their thicknesses tell
# which one is wrong.
LEAST_STEP_SHARE = 0.06


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class ArrivalsLearned:
    """What step readings of a dual-element probe teach.

    Attributes
    ----------
    times : Readings
        Of all step readings.
    means : StepMeans
    usable : ndarray of bool, shape (rows,)
    fits : list of CurveFit
        The best first.
    arrivals : FirstArrivals
        What a calibration keeps.
    shifted : dict of float to int
        By how many half-cycles each step was moved.
    ratio : ndarray, shape (steps,)
        Each step's first echo's peak over the largest half-cycle in its gate.
    """

    times: Readings
    means: StepMeans
    usable: BoolArray
    fits: list[CurveFit]
    arrivals: FirstArrivals
    shifted: dict[float, int]
    ratio: FloatArray


def learn_first_arrivals(known: Known, procedure: Procedure) -> ArrivalsLearned:
    """Return what step readings of a dual-element probe teach.

    Raises
    ------
    AscanError
        No usable reading, or times that do not grow with the thickness.
    """
    gate = procedure.gate(procedure.interval.gates[0])
    recording = known.scan.recording
    models = path_models(procedure, recording, gate)
    cross_talk = cross_talk_of(known, procedure)
    in_codes = cross_talk * np.array([[1.0], [recording.full_scale]])
    nominal = dataclasses.replace(
        guide_of(procedure, recording, None),
        cross_talk=in_codes,
        least_share=LEAST_STEP_SHARE,
    )
    fixed = {"positive": (1,), "negative": (-1,)}.get(gate.half_cycles, (1, -1))
    attempts = {}
    problems: list[AscanError] = []
    for polarity in fixed:
        guide = dataclasses.replace(nominal, polarity=polarity)
        try:
            attempts[polarity] = _attempt(known, procedure, guide, models)
        except AscanError as problem:
            problems.append(problem)
    if not attempts:
        raise problems[0]
    polarity = _clearest(known, procedure, attempts)
    first = attempts[polarity]
    guide = dataclasses.replace(
        nominal,
        polarity=polarity,
        **mean_arrivals(known, procedure, first, polarity, nominal.train_us),
    )
    steps_mm = first.means.thickness_mm
    models = without_unlike(models, procedure, recording, steps_mm, guide)
    curve = choose_curve(first.means, models, U_SCALE)[0]
    expected_us = np.interp(known.mm, curve.thickness_mm, curve.time_us)
    final = _attempt(known, procedure, guide, models, expected_us)
    separation_mm = fitted_half_separation_mm(final.means)
    if np.isfinite(separation_mm):
        velocity = procedure.material.velocity_mm_per_us
        models = [*models, vee_path(separation_mm, velocity, models[0].doubt)]
        final = dataclasses.replace(final, fits=choose_curve(final.means, models, U_SCALE))
    return ArrivalsLearned(
        times=Readings(final.columns),
        means=final.means,
        usable=final.usable,
        fits=final.fits,
        arrivals=_arrivals(known, procedure, final.fits[0], guide, separation_mm),
        shifted=first.shifted,
        ratio=arrival_ratios(known, procedure, final),
    )


def _clearest(known: Known, procedure: Procedure, attempts: dict[int, Attempt]) -> int:
    """Return the polarity whose opening half-cycle is the clearest on every step.

    It must stand well above what `ascan.finding.first_arrival` asks of it, and the one a period
    before well below: on some pulses one polarity opens with a half-cycle in between, which noise
    then takes or leaves. A polarity that the steps' thicknesses explain far worse is out.
    """
    margin = {}
    for polarity, attempt in attempts.items():
        cut, before = cut_arrivals(known, procedure, attempt, polarity)
        period = gates_of(procedure, known.scan.recording).meter.period
        own = np.abs(cut[:, int(before - 0.6 * period) :]).max(axis=1)
        ahead = (polarity * cut[:, : int(before - 0.6 * period)]).max(axis=1) / own
        ahead = np.maximum(ahead, 1e-3)
        opening = polarity * cut[:, before] / own
        margin[polarity] = float(np.min(np.minimum(opening / OPENING, OPENING / ahead)))
    least = min(attempt.fits[0].score for attempt in attempts.values())
    usable = [k for k, attempt in attempts.items() if attempt.fits[0].score < least + 2.0 * STRONG]
    return max(usable, key=lambda polarity: margin[polarity])


def _attempt(
    known: Known,
    procedure: Procedure,
    guide: ArrivalGuide,
    models: list[PathModel],
    expected_us: FloatArray | None = None,
) -> Attempt:
    """Time the steps with a guide, and settle which half-cycle each step is timed on."""
    shifts = SHIFTS if expected_us is None else (0,)
    by_shift = {shift: _times(known.scan, procedure, guide, shift, expected_us) for shift in shifts}
    columns = dict(by_shift[0])
    # Which half-cycle it is, is told by the steps' thicknesses.
    usable = (columns["flags"] & ~UNSURE) == 0
    astray = _astray(columns["interval_us"], known.mm, usable, 0.5 / procedure.probe.frequency_mhz)
    columns["flags"] = np.where(usable, 0, columns["flags"]).astype(np.uint32)
    columns["flags"][astray] |= UNSURE
    usable &= ~astray
    if not usable.any():
        raise fault(
            "calibration",
            f"no step reading can be used ({known.told(columns['flags'], usable)})",
            remedy="mend the gate, the gain or the coupling",
        )
    steps = np.unique(known.mm[usable]).tolist()

    def interval_of(choice: dict[float, int]) -> FloatArray:
        interval = columns["interval_us"].copy()
        for step, shift in choice.items():
            interval = np.where(known.mm == step, by_shift[shift]["interval_us"], interval)
        return interval

    def means_of(choice: dict[float, int]) -> StepMeans | None:
        interval = interval_of(choice)[usable]
        if np.isnan(interval).any():
            return None
        u = columns["u_interval_us"][usable]
        return gather_steps(known.mm[usable], known.u_mm[usable], interval, u)

    def score_of(choice: dict[float, int]) -> float:
        means = means_of(choice)
        return np.inf if means is None else least_score(means, models, U_SCALE)

    chosen = dict.fromkeys(steps, 0)
    best = score_of(chosen)
    # With no more steps than numbers to fit, nothing tells which half-cycle is the odd one out.
    for _ in range(2 if len(steps) > LEAST_STEPS else 0):
        for step, shift in itertools.product(steps, shifts):
            score = score_of(chosen | {step: shift})
            if score < best - STRONG:
                chosen, best = chosen | {step: shift}, score
    means = means_of(chosen)
    assert means is not None
    fits = choose_curve(means, models, U_SCALE)
    columns["interval_us"] = interval_of(chosen)
    return Attempt(columns, usable, means, fits, chosen)


def _times(
    scan: Scan,
    procedure: Procedure,
    guide: ArrivalGuide,
    shift: int,
    expected_us: FloatArray | None,
) -> Columns:
    """Return the columns of the step readings; where echoes are expected, they are sought there."""
    pipeline = bind(procedure, scan.recording, taught=Taught(guide=guide, cycle_shift=shift))
    return joined(
        pipeline.run(
            block,
            scan.start_time_us[rows],
            None if expected_us is None else expected_us[rows],
        )
        for rows, block in scan.blocks(BLOCK_ROWS)
    )


def _astray(
    interval_us: FloatArray, label: FloatArray, usable: AnyArray, most_us: float
) -> AnyArray:
    """Return which usable rows lie far from the median of three or more on their step."""
    astray = np.zeros(label.size, np.bool_)
    for step in np.unique(label[usable]):
        rows = np.flatnonzero(usable & (label == step))
        if rows.size > 2:
            off = np.abs(interval_us[rows] - np.median(interval_us[rows]))
            astray[rows] = off > most_us
    return astray


def with_second(
    arrivals: FirstArrivals, steps_mm: FloatArray, late_us: FloatArray
) -> FirstArrivals:
    """Return a part whose second echoes come when they were heard on the steps.

    The path gives the least time; by how much the echo's half-cycles come later (``late_us``, on
    each step) changes with the wall, and with the echo's number.
    """
    second = arrivals.second_us + np.interp(arrivals.thickness_mm, steps_mm, late_us)
    return dataclasses.replace(arrivals, second_us=second)


def _arrivals(
    known: Known, procedure: Procedure, best: CurveFit, guide: ArrivalGuide, separation: float
) -> FirstArrivals:
    """Return what a calibration keeps; ``separation`` (mm) is the fitted one, NaN for none."""
    geometry, velocity = procedure.probe.geometry(), procedure.material.velocity_mm_per_us
    if not np.isfinite(separation) and geometry is not None:
        separation = 0.5 * (geometry.gap_mm + geometry.width_mm)
    nodes = best.thickness_mm
    if geometry is not None:
        second = geometry.middle_time_us(nodes, velocity, echo=2) - geometry.middle_time_us(
            nodes, velocity
        )
    else:
        s = separation if np.isfinite(separation) else 0.0
        second = 2.0 / velocity * (np.hypot(2.0 * nodes, s) - np.hypot(nodes, s))
    in_codes = known.scan.recording.full_scale
    return FirstArrivals(
        path=best.model,
        thickness_mm=nodes,
        time_us=best.time_us,
        u_time_us=best.u_time_us,
        second_us=second,
        half_separation_mm=float(separation),
        polarity=guide.polarity,
        shapes=guide.shapes,
        arrival_us=guide.arrival_us,
        zero_index=guide.zero_index,
        cross_talk=guide.cross_talk * np.array([[1.0], [1.0 / in_codes]]),
    )
