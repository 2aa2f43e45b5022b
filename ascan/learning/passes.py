"""What is learned from the steps, by pass: all that checks ask for, and what guides the timing."""

from __future__ import annotations

import numpy as np

from ascan.checks.lesson import Lesson, Pass, StepReadings
from ascan.checks.table import lessons
from ascan.engine.taught import AMPLITUDE_RANGE
from ascan.kernels.arrays import FloatArray
from ascan.steps.learned_value import LearnedValue


def amplitudes(on: StepReadings) -> dict[str, FloatArray]:
    """Return least and largest height of the used echoes of each gate of the interval."""
    return {name: on.span(np.abs(on.of_gate(name, "amplitude"))) for name in on.layout.gates}


LESSONS = (*lessons(), Lesson(AMPLITUDE_RANGE, Pass.TIMED, amplitudes))


def learned_after(on: StepReadings, *passes: Pass) -> dict[LearnedValue, dict[str, FloatArray]]:
    """Return what readings teach that the engine gave in these passes, by gate."""
    found = {}
    for lesson in LESSONS:
        by_gate = lesson.learn(on) if lesson.after in passes else {}
        if by_gate:
            found[lesson.value] = {
                gate: np.asarray(each, np.float64) for gate, each in by_gate.items()
            }
    return found
