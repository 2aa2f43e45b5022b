"""WEAK_ECHO: the wall's echo is far lower than it was on the steps at such a depth.

The flank of a pit, a rough or tilted back wall send most of the sound elsewhere, and what does come
back says where the wall happens to face the probe, not where it is thinnest. Coupling and gain
lower an echo as well, and hide nothing. What they do to it they do to the interface echo, and to
the wall's second echo, which has met the wall twice: against either, only the wall's part is left.
A clipped interface echo is lower than it was and says nothing.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Column, Evidence, Key, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.checks.lesson import Lesson, Pass, StepReadings
from ascan.checks.second_echo import is_lower
from ascan.kernels.arrays import AnyArray, BoolArray, FlagArray, FloatArray
from ascan.path.modes import Layout
from ascan.steps.learned_value import Kind, LearnedValue

# Of the second echo's share so much is noise at most, in standard deviations.
NOISE_SIGMAS = 2.0
# Where the second echo is no weaker than usual, coupling explains another 4 dB of a low first one:
# a pit beside the axis leaves the second echo's share as it was, too. It counts from this share on.
AS_USUAL, LOOSE, HEARD = 0.8, 0.63, 0.1
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
    meaning="the same where no interface echo tells the wall from coupling and the scan is too "
    "small to tell it (`least_strength`)",
    why="coupling alone changes the height by 4 dB and more (common practice); told are 6 dB, at "
    "which half of a beam meets something else (half-value method, common practice)",
)
MIN_SECOND = Key(
    name="min_relative_second",
    default=0.6,
    least=0.0,
    most=1.0,
    meaning="of the second echo's share of the first on the steps (`relative_second`), where no "
    "interface echo tells the wall from coupling; below it `weak_echo` is set",
    why="each time the sound meets a pit under three tenths of the beam, it loses so much: 0.7; a "
    "sound wall that slopes by 0.7° stays above 0.6 (own study, `benches/verdict.py`)",
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

STEP_GAIN = LearnedValue(
    name="step_gain_db",
    kind=Kind.ONE,
    unit="dB",
    meaning="the receiver's gain that the heights of the steps' echoes are of, where the scan said",
)
SECOND_SHARE = LearnedValue(
    name="second_share",
    kind=Kind.PER_STEP,
    unit="1",
    meaning="the wall's second echo over its first",
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
        them it stays. NaN of a step is NaN of the walls beside it.
    """
    return np.asarray(strength / np.exp(np.interp(thickness_mm, steps_mm, np.log(usual))))


def learns_from_scan(layout: Layout) -> bool:
    """Tell that no interface echo frees the wall's echo of coupling."""
    return applies(layout) and not layout.interface


def applies(layout: Layout) -> bool:
    """Tell that one echo says how strong it is; a fit of many knows of the surface's, too."""
    return not layout.fit_judges_itself


def _whole(flags: FlagArray) -> BoolArray:
    return np.asarray(flags & np.uint32(Flag.SATURATED) == 0)


def learn(on: StepReadings) -> dict[str, FloatArray]:
    """Return each step's height of the first back-wall echo; NaN where it or the other clips."""
    layout = on.layout
    if not applies(layout):
        return {}
    height, whole = np.abs(on.of_gate(layout.back_wall, "amplitude")), on.used.copy()
    step_db = learn_gain(on).get(layout.back_wall)
    if step_db is not None:
        height = at_gain(height, on.columns["gain_db"], float(step_db))
    if layout.interface:
        height = height / np.abs(on.of_gate(layout.interface, "amplitude"))
        whole &= _whole(on.of_gate(layout.interface, "flags"))
    whole &= _whole(on.of_gate(layout.back_wall, "flags"))
    return {layout.back_wall: on.steps.per_step(height, on.ids, whole)}


def second_share(columns: Mapping[str, AnyArray], layout: Layout) -> FloatArray | None:
    """Return the second back-wall echo over the first, shape (n,); None where it is not known."""
    if layout.between_back_walls and len(layout.back_walls) > 1:
        first, later = (columns[f"{name}_amplitude"] for name in layout.back_walls[:2])
        return np.asarray(np.abs(later / first))
    return columns.get("second_echo_ratio")


def learn_gain(on: StepReadings) -> dict[str, FloatArray]:
    """Return the steps' middle gain, where their scan says one for each."""
    gain_db = on.columns.get("gain_db")
    if gain_db is None or on.layout.interface or not applies(on.layout):
        return {}
    own_db = np.asarray(gain_db, np.float64)
    if not np.isfinite(own_db).all():
        return {}
    return {on.layout.back_wall: np.array(np.median(own_db[on.used]))}


def at_gain(height: FloatArray, gain_db: AnyArray, step_db: float) -> FloatArray:
    """Return heights as they would be at the steps' gain; unchanged where a gain is not known."""
    more_db = step_db - np.asarray(gain_db, np.float64)
    return np.asarray(height * 10.0 ** (np.where(np.isfinite(more_db), more_db, 0.0) / 20.0))


def learn_second(on: StepReadings) -> dict[str, FloatArray]:
    """Return each step's second back-wall echo over its first."""
    share = second_share(on.columns, on.layout)
    if share is None or not applies(on.layout) or on.layout.is_dual:
        return {}
    heard = on.used & _whole(on.of_gate(on.layout.back_wall, "flags")) & (share > 0.0)
    return {on.layout.back_wall: on.steps.per_step(share, on.ids, heard)} if heard.any() else {}


def evidence(seen: CheckInput) -> Evidence:
    """Return each back-wall echo, and its second one, over what they were at such a depth."""
    layout, steps = seen.layout, seen.about.steps
    name, usual = layout.back_wall, seen.gates_with(RELATIVE_AMPLITUDE).get(layout.back_wall)
    if usual is None or steps is None:
        return {}
    strength, whole = np.abs(seen.echoes[name].amplitude), np.zeros(seen.rows, np.bool_)
    if layout.interface:
        strength = strength / np.abs(seen.echoes[layout.interface].amplitude)
        whole = _whole(seen.echoes[layout.interface].flags)
    step_db = seen.gates_with(STEP_GAIN).get(name)
    if step_db is not None and seen.gain_db is not None:
        strength = at_gain(strength, seen.gain_db, float(step_db))
    found: dict[str, AnyArray] = {
        "least_strength": np.full(seen.rows, seen.about.least_strength),
        "relative_amplitude": share_of_usual(
            strength, seen.thickness_mm, steps.thickness_mm[steps.used], usual[steps.used]
        ),
        "whole_interface": whole,
    }
    later, share = seen.gates_with(SECOND_SHARE).get(name), _second(seen)
    if later is not None and share is not None:
        at = _known(steps.thickness_mm, later)
        found["usual_second"] = 1.0 / share_of_usual(np.ones(seen.rows), seen.thickness_mm, *at)
        found["second_share"] = share
        found["relative_second"] = share / found["usual_second"]
    # Freed of coupling and gain; NaN where neither tells.
    freed = found.get("relative_second", np.full(seen.rows, np.nan))
    strength = np.where(whole, found["relative_amplitude"], np.nan)
    found["relative_strength"] = np.where(np.isnan(strength), freed, strength)
    return found


def _known(steps_mm: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the steps that have a value, and the values."""
    has = ~np.isnan(values)
    return steps_mm[has], values[has]


def _second(seen: CheckInput) -> FloatArray | None:
    heights: dict[str, AnyArray] = {
        f"{name}_amplitude": echo.amplitude for name, echo in seen.echoes.items()
    }
    return second_share(heights | seen.columns, seen.layout)


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag what is too weak, and behind an interface echo what is too strong."""
    if "relative_amplitude" not in found:
        return {}
    strength, whole = found["relative_amplitude"], found["whole_interface"]
    told = whole & np.isfinite(strength)
    weak = told & (strength < seen.limit(MIN_AMPLITUDE.name))
    as_usual = np.zeros(strength.size, np.bool_)
    if "relative_second" in found:
        snr_db, least = seen.echoes[seen.layout.back_wall].snr_db, seen.limit(MIN_SECOND.name)
        share, usual = found["second_share"], found["usual_second"]
        weak |= ~told & is_lower(share, least * usual, snr_db, NOISE_SIGMAS)
        as_usual = (usual > HEARD) & (share > AS_USUAL * usual)
    # The scan itself says what coupling does there; without it, the procedure.
    alone = np.full(strength.size, seen.about.least_strength)
    if np.isnan(seen.about.least_strength):
        alone = seen.limit(MIN_AMPLITUDE_ALONE.name) * np.where(as_usual, LOOSE, 1.0)
    weak |= ~whole & (strength < alone)
    strong = whole & (strength > seen.limit(MAX_AMPLITUDE.name))
    return {Flag.WEAK_ECHO: weak, Flag.UNEXPECTED_ECHO: strong}


CHECK = Check(
    name="weak_echo",
    stage=Stage.READING,
    evidence=evidence,
    judge=judge,
    applies=applies,
    keys=(MIN_AMPLITUDE, MIN_AMPLITUDE_ALONE, MIN_SECOND, MAX_AMPLITUDE),
    columns=(
        Column(
            "relative_amplitude",
            "1",
            "back-wall echo over what it was on the steps at such a depth",
        ),
        Column(
            "least_strength",
            "1",
            "below it `relative_amplitude` is weak by the scan's own echoes; NaN where it was not "
            "learned from them",
        ),
        Column("relative_second", "1", "the same of the wall's second echo over its first"),
        Column("relative_strength", "1", "the one of the two that coupling and gain do not change"),
    ),
    learns=(
        Lesson(RELATIVE_AMPLITUDE, Pass.TIMED, learn),
        Lesson(STEP_GAIN, Pass.TIMED, learn_gain),
        Lesson(SECOND_SHARE, Pass.CALIBRATED, learn_second),
    ),
)
