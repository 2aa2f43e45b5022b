"""CYCLE_UNCERTAIN: whether the timed half-cycle is the calibration's, by the envelope.

An echo turned over, a skipped cycle, another echo run into it, or a band so dispersed that the wave
has moved under its envelope.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.alternatives import Cause
from ascan.checks.check import Check, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.checks.lesson import Lesson, Pass, StepReadings
from ascan.checks.odds import MIN_ALTERNATIVE_ODDS, unsure
from ascan.kernels.arrays import FloatArray
from ascan.kernels.jit import compiled
from ascan.steps.learned_value import Kind, LearnedValue

# How far a time lies off its usual place under the envelope, in periods, because echoes differ in
# shape (own study, `benches/faults.py`: clean steps and walls stay within 0.15).
SHAPE_PERIODS = 0.07
CYCLE_OFFSET = LearnedValue(
    name="cycle_offset_us",
    kind=Kind.ONE,
    unit="us",
    meaning="by how much the echoes of a gate were timed after the top of their envelope",
)


class Times(NamedTuple):
    """The two times of n echoes: by their method, and of the top of their envelope with its u."""

    time_us: FloatArray
    envelope_us: FloatArray
    u_envelope_us: FloatArray


@compiled
def weigh_half_cycle(
    times: Times, lag_us: float, period_us: float, odds: FloatArray, late_us: FloatArray
) -> None:
    """Write the odds of each timed half-cycle against its likelier neighbour, and how late it is.

    Parameters
    ----------
    times : Times
    lag_us : float
        By how much the calibration's echoes were timed after the top of their envelope.
    odds, late_us : ndarray, shape (n,)
        Out: twice the log odds, NaN where there is no envelope; by how much the echo was timed
        late if its neighbour is the right one.

    Notes
    -----
    Off by d periods, with a standard deviation of s: ((1/2 - d)² - d²) / s²; even odds at a
    quarter, an eighth of a wavelength of wall.
    """
    for row in range(odds.size):
        off = (times.time_us[row] - times.envelope_us[row] - lag_us) / period_us
        noise = times.u_envelope_us[row] / period_us
        odds[row] = (0.25 - abs(off)) / (SHAPE_PERIODS**2 + noise**2)
        late_us[row] = np.copysign(0.5 * period_us, off)


def learn(on: StepReadings) -> dict[str, FloatArray]:
    """Return the middle of each gate's offsets; a train has no one half-cycle."""
    found = {}
    for name in () if on.layout.times_train else on.layout.gates:
        lag = (on.of_gate(name, "time_us") - on.of_gate(name, "envelope_us"))[on.used]
        known = lag[np.isfinite(lag)]
        if known.size:
            # Diffraction moves the wave under its envelope evenly from thin steps to thick ones.
            found[name] = np.array(0.5 * float(known.min() + known.max()))
    return found


def evidence(seen: CheckInput) -> Evidence:
    """Return the odds of each gate's half-cycle against its neighbour, shape (gates, n)."""
    gates, period_us = seen.layout.gates, seen.layout.period_us
    offsets = seen.gates_with(CYCLE_OFFSET)
    odds, late_us = np.full((len(offsets), seen.rows), np.nan), np.empty(seen.rows)
    for own, (name, lag_us) in zip(odds, offsets.items(), strict=True):
        echo = seen.echoes[name]
        times = Times(echo.time_us, echo.envelope_us, echo.u_envelope_us)
        weigh_half_cycle(times, float(lag_us), period_us, own, late_us)
        # An interval ends with its last echo and begins with its first.
        way = 0.0 if name not in gates else 1.0 if name == gates[-1] else -1.0
        shared = max(len(gates) - 1, 1)
        seen.weigh(Cause.HALF_CYCLE, own, seen.interval_us - way * late_us / shared)
    return {"odds": odds}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag rows whose half-cycle is not sure in one of the gates."""
    return {Flag.CYCLE_UNCERTAIN: unsure(seen, found["odds"])}


CHECK = Check(
    name="cycle_uncertain",
    stage=Stage.INTERVAL,
    evidence=evidence,
    judge=judge,
    keys=(MIN_ALTERNATIVE_ODDS,),
    learns=(Lesson(CYCLE_OFFSET, Pass.CYCLE, learn),),
)
