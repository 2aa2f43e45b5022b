"""UNEVEN_SPACING, ahead: the first back-wall echo comes otherwise than on the steps.

Echo to echo, what lies ahead of the first echo must be as long as what lies between it and the
second, but for what interface echo and zero offset put into it: that the steps have shown. A
contact probe's sound enters the wall when it is sent.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.checks.lesson import Lesson, Pass, StepReadings
from ascan.kernels.arrays import BoolArray, FlagArray, FloatArray
from ascan.path.modes import Layout
from ascan.steps.learned_value import Kind, LearnedValue

# Against what it was on the steps: a quarter of a period is an eighth of a wavelength of wall.
LEAD_PERIODS = 0.25
UNSURE = np.uint32(Flag.SATURATED | Flag.CYCLE_UNCERTAIN)
EXCESS = LearnedValue(
    name="first_interval_excess_us",
    kind=Kind.SPAN,
    unit="us",
    meaning="by how much the first back-wall echo came later after the interface echo (after time "
    "0 with a contact probe) than the second after the first, least and most",
)


def applies(layout: Layout) -> bool:
    """Tell that two echoes are timed, and what lies ahead of them is known."""
    ahead = bool(layout.interface) or layout.is_contact
    return layout.between_back_walls and layout.times_single_echoes and ahead


def learn(on: StepReadings) -> dict[str, FloatArray]:
    """Return the span of the steps' excess."""
    layout = on.layout
    if not applies(layout):
        return {}
    first, second = (on.of_gate(name, "time_us") for name in layout.gates[:2])
    begin, sure = np.zeros(first.size), on.used
    if layout.interface:
        begin = on.of_gate(layout.interface, "time_us")
        sure = sure & _is_sure(on.of_gate(layout.interface, "flags"))
    if not sure.any():
        return {}
    excess = (2.0 * first - begin - second)[sure]
    return {layout.back_wall: np.array([excess.min(), excess.max()])}


def _is_sure(flags: FlagArray) -> BoolArray:
    """Return which interface echoes are timed to a fraction of a period: of clipped ones, none."""
    return np.asarray(flags & UNSURE == 0)


def evidence(seen: CheckInput) -> Evidence:
    """Return each row's excess, shape (n,), and the steps' span of it, shape (2,)."""
    layout = seen.layout
    first, second = (seen.echoes[name].time_us for name in layout.gates[:2])
    begin = np.zeros(seen.rows)
    if layout.interface:
        echo = seen.echoes[layout.interface]
        begin = np.where(_is_sure(echo.flags), echo.time_us, np.nan)
    span_us = seen.gates_with(EXCESS).get(layout.back_wall, np.full(2, np.nan))
    return {"excess_us": 2.0 * first - begin - second, "span_us": span_us}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag what lies outside the span; a coating that is stated may make it later."""
    excess_us, (least_us, most_us) = found["excess_us"], found["span_us"]
    slack_us = LEAD_PERIODS * seen.layout.period_us
    most_us = np.inf if seen.layout.coating and not np.isnan(most_us) else most_us
    uneven = (excess_us < least_us - slack_us) | (excess_us > most_us + slack_us)
    return {Flag.UNEVEN_SPACING: uneven}


CHECK = Check(
    name="first_interval",
    stage=Stage.ECHOES,
    evidence=evidence,
    judge=judge,
    applies=applies,
    learns=(Lesson(EXCESS, Pass.TIMED, learn),),
)
