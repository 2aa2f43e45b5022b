"""WEAK_ECHO: the wall's echo is far lower than it was on the steps at such a depth.

The flank of a pit, a rough or tilted back wall send most of the sound elsewhere, and what does come
back says where the wall happens to face the probe, not where it is thinnest. Behind an interface
echo the two are compared, which leaves gain and coupling out; without one, lost couplant does it,
too, and more is allowed of an echo whose shape is as on the steps: coupling leaves that.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Column, Evidence, Key, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.checks.lesson import Lesson, Pass, StepReadings
from ascan.checks.shape_mismatch import ROOT_MEAN_SQUARE, SHAPE_RESIDUAL
from ascan.kernels.arrays import BoolArray, FloatArray
from ascan.path.modes import Layout
from ascan.steps.learned_value import Kind, LearnedValue

# An echo is changed that leaves so much of the steps' mean one, over its root mean square, beyond
# what noise and the steps do: sound walls between four steps leave 0.045 in 99 of 100 (aperture
# integral), pits that take three tenths of the beam 0.05 and more.
CHANGED = 0.04
MIN_AMPLITUDE = Key(
    name="min_relative_amplitude",
    default=0.7,
    least=0.0,
    most=1.0,
    meaning="of the back-wall echo's height on the steps against the interface echo "
    "(`relative_amplitude`); below it `weak_echo` is set",
    why="a pit under three tenths of the beam takes as much of the echo and leaves its shape and "
    "its time (own study: elastic finite differences, plane pits of 1 to 8 mm)",
)
MIN_AMPLITUDE_ALONE = Key(
    name="min_relative_amplitude_alone",
    default=0.5,
    least=0.0,
    most=1.0,
    meaning="the same where there is no interface echo",
    why="coupling alone changes the height by 4 dB and more (common practice); told are 6 dB, at "
    "which half of a beam meets something else (half-value method, common practice), and the limit "
    "above of an echo whose shape is changed as well",
)
MAX_AMPLITUDE = Key(
    name="max_relative_amplitude",
    default=2.0,
    least=1.0,
    most=1000.0,
    meaning="of the back-wall echo's usual height against the interface echo, what it may be at "
    "most; "
    "beyond it `unexpected_echo` is set",
    why="sound walls stay within 1.3, in grain, too (own study); twice is 6 dB: another gain over "
    "time, or an echo that is none of the wall's",
)
RELATIVE_AMPLITUDE = LearnedValue(
    name="relative_amplitude",
    kind=Kind.PER_STEP,
    unit="1",
    meaning="height of the first back-wall echo, over the interface echo's where there is one",
)


def share_of_usual(
    strength: FloatArray, thickness_mm: FloatArray, steps_mm: FloatArray, usual: FloatArray
) -> FloatArray:
    """Return each strength over what it was on the steps at such a depth, shape (n,).

    Parameters
    ----------
    strength, thickness_mm : ndarray, shape (n,)
        Height of the wall's echo, over the interface echo's where there is one.
    steps_mm, usual : ndarray, shape (steps,)
        Steps, rising, and the strength on each; between two its logarithm is straight, beyond
        them it stays.
    """
    return np.asarray(strength / np.exp(np.interp(thickness_mm, steps_mm, np.log(usual))))


def is_changed(shape_residual: FloatArray, usual: FloatArray, snr_db: FloatArray) -> BoolArray:
    """Return which echoes have another shape than the steps' by more than noise, shape (n,).

    ``shape_residual`` is what the steps' mean echo leaves, ``usual`` what it left of steps as
    thick; NaN where it is not known, which is no change.
    """
    noise = 10.0 ** (-snr_db / 20.0) / ROOT_MEAN_SQUARE
    return np.asarray(shape_residual**2 > usual**2 + noise**2 + CHANGED**2)


def applies(layout: Layout) -> bool:
    """Tell that one echo says how strong it is; a fit of many knows of the surface's, too."""
    return not layout.fit_judges_itself


def learn(on: StepReadings) -> dict[str, FloatArray]:
    """Return each step's height of the first back-wall echo."""
    layout = on.layout
    if not applies(layout):
        return {}
    height = np.abs(on.of_gate(layout.back_wall, "amplitude"))
    if layout.interface:
        height = height / np.abs(on.of_gate(layout.interface, "amplitude"))
    return {layout.back_wall: on.per_step(height)}


def evidence(seen: CheckInput) -> Evidence:
    """Return each back-wall echo over what it was on the steps at such a depth.

    And whether its shape is changed beyond what noise and the steps do.
    """
    layout = seen.layout
    name, usual = layout.back_wall, seen.gates_with(RELATIVE_AMPLITUDE).get(layout.back_wall)
    if usual is None or seen.about.steps is None:
        return {}
    strength = np.abs(seen.echoes[name].amplitude)
    if layout.interface:
        strength = strength / np.abs(seen.echoes[layout.interface].amplitude)
    has = ~np.isnan(usual)
    steps_mm = seen.about.steps.thickness_mm[has]
    share = share_of_usual(strength, seen.thickness_mm, steps_mm, usual[has])
    changed = np.zeros(seen.rows, np.bool_)
    if name in seen.gates_with(SHAPE_RESIDUAL):
        echo = seen.echoes[name]
        changed = is_changed(echo.shape_residual, seen.learned(SHAPE_RESIDUAL, name), echo.snr_db)
    return {"relative_amplitude": share, "changed": changed}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag what is too weak, and behind an interface echo what is too strong."""
    if "relative_amplitude" not in found:
        return {}
    strength, interface = found["relative_amplitude"], seen.layout.interface
    lower = strength < seen.limit(MIN_AMPLITUDE.name)
    weak = strength < seen.limit(MIN_AMPLITUDE_ALONE.name)
    if interface:
        weak = lower
    verdict = {Flag.WEAK_ECHO: weak | (lower & found["changed"])}
    if interface:
        whole = seen.echoes[interface].flags & np.uint32(Flag.SATURATED) == 0
        verdict[Flag.UNEXPECTED_ECHO] = whole & (strength > seen.limit(MAX_AMPLITUDE.name))
    return verdict


CHECK = Check(
    name="weak_echo",
    stage=Stage.READING,
    evidence=evidence,
    judge=judge,
    applies=applies,
    keys=(MIN_AMPLITUDE, MIN_AMPLITUDE_ALONE, MAX_AMPLITUDE),
    columns=(
        Column(
            "relative_amplitude",
            "1",
            "back-wall echo over what it was on the steps at such a depth",
        ),
    ),
    learns=(Lesson(RELATIVE_AMPLITUDE, Pass.TIMED, learn),),
)
