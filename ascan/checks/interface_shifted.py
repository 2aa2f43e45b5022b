"""INTERFACE_SHIFTED: the interface echo comes at another time than it did on the steps.

Behind a delay line it comes when the line is run through, always. By more than a period it moves
only if the trigger or the clock of the digitiser did, or the line was changed, worn or heated. An
interval that begins with the interface echo does not mind a trigger; it does mind a clock. A water
path changes as the probe moves: in immersion nothing is checked.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Evidence, Key, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.checks.lesson import Lesson, Pass, StepReadings
from ascan.kernels.arrays import FloatArray
from ascan.path.modes import Layout
from ascan.steps.learned_value import Kind, LearnedValue

MAX_SHIFT = Key(
    name="max_interface_shift_periods",
    default=1.0,
    above=0.0,
    most=100.0,
    meaning="by how much the interface echo behind a delay line may be off the steps'",
    why="a line that warms by 10 °C moves it by less (own study); a wrong line, trigger or clock "
    "by more",
)
INTERFACE_TIME = LearnedValue(
    name="interface_time_us",
    kind=Kind.SPAN,
    unit="us",
    meaning="earliest and latest time of the interface echo",
)


def learn(on: StepReadings) -> dict[str, FloatArray]:
    """Return the span of the interface echo's times behind a delay line."""
    name = on.layout.interface
    return {name: on.span(on.of_gate(name, "time_us"))} if on.layout.has_delay_line else {}


def applies(layout: Layout) -> bool:
    """Tell that a coating which is stated may move the echo of what is under it: no fault."""
    return layout.has_delay_line and not layout.coating


def evidence(seen: CheckInput) -> Evidence:
    """Return the interface echo's time, and the calibration's span of it; NaN where none is known.

    Shape (n,) and (2,).
    """
    nothing = np.full(2, np.nan)
    name = seen.layout.interface
    span_us = seen.gates_with(INTERFACE_TIME).get(name, nothing)
    return {"time_us": seen.echoes[name].time_us, "span_us": span_us}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag what lies further outside than the procedure allows."""
    time_us, (early_us, late_us) = found["time_us"], found["span_us"]
    most_us = seen.limit(MAX_SHIFT.name) * seen.layout.period_us
    moved = (time_us < early_us - most_us) | (time_us > late_us + most_us)
    return {Flag.INTERFACE_SHIFTED: moved}


CHECK = Check(
    name="interface_shifted",
    stage=Stage.ECHOES,
    evidence=evidence,
    judge=judge,
    applies=applies,
    keys=(MAX_SHIFT,),
    learns=(Lesson(INTERFACE_TIME, Pass.TIMED, learn),),
)
