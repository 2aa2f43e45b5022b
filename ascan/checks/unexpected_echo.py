"""UNEXPECTED_ECHO: an echo stands in the gate ahead of the timed one, or a larger one behind it.

Nothing comes back from sound metal before the back wall does, but for the beginning of its own
echo, which the steps have shown. An echo in front of it is a pit under
part of the beam, a lamination, grain, the wall itself where a later echo was timed; or it belongs
to the probe: what stood there on the steps is known and allowed for. Behind the wall's first echo
come its others, each lower than the one before: a larger one says that the timed one is not it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Column, Evidence, Key, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.checks.lesson import Lesson, Pass, StepReadings
from ascan.checks.shape_mismatch import Sized, Usual
from ascan.kernels.arrays import AnyArray, BoolArray, FloatArray, IntArray
from ascan.kernels.jit import compiled
from ascan.kernels.level import bits_of, largest
from ascan.path.modes import Layout
from ascan.steps.learned_value import Kind, LearnedValue

# Told is what exceeds so many times what stood there on the steps, the procedure's limit, and so
# many standard deviations of the noise (once in 10³ gates of 1000 samples).
USUAL, SIGMAS = 1.5, 4.5
# Of grain, which swings with the pulse, a gate holds far fewer crests.
GRAIN_SIGMAS = 3.0
# Where so many times an echo's reach lies ahead of it, what lies all along there is known; it is
# asked for where more than a little stands out. Of a normal distribution, its standard deviation
# over the middle of its sizes.
ALL_ALONG, LITTLE, NORMAL = 4, 0.02, 1.4826
# A wall echo lower than this against its interface echo is weak.
LEAST_LOWER = 0.7
MAX_BEFORE = Key(
    name="max_before",
    default=0.06,
    above=0.0,
    most=10.0,
    meaning="of the timed echo's height, what may stand ahead of it (of one lower than on the "
    "steps, as much less); of whole records, what the fit may leave anywhere",
    why="an echo 24 dB below: a tenth moves a time by some 20 ns (`benches/accuracy.py`)",
)
MAX_AFTER = Key(
    name="max_after",
    default=1.3,
    above=0.0,
    most=100.0,
    meaning="of the timed echo's height, what may stand behind it in its gate",
    why="behind it come the wall's later echoes",
)
BEFORE_PEAK = LearnedValue(
    name="before_peak",
    kind=Kind.PER_STEP,
    unit="1",
    meaning="largest half-cycle ahead of the first back-wall echo over its own, beyond noise",
)
ADJACENT_PEAKS = LearnedValue(
    name="adjacent_peaks",
    kind=Kind.SPAN,
    unit="1",
    meaning="largest half-cycle that stood ahead of the first back-wall echo, and behind it, over "
    "its own",
)


class Beside(NamedTuple):
    """What stands beside each of n echoes, over its own largest half-cycle, shape (n,).

    Attributes
    ----------
    ahead, behind : ndarray
        Largest half-cycle.
    grain : ndarray
        Standard deviation of what lies all along ahead of it: the middle one of its samples tells,
        which no single echo among them moves. 0 where few are there.
    """

    ahead: FloatArray
    behind: FloatArray
    grain: FloatArray


@compiled
def take_off_forerunners(
    trace: AnyArray,
    position: FloatArray,
    peak: IntArray,
    reach: int,
    usual: Usual,
    sized: Sized,
) -> None:
    """Take off the trace what of each echo's own usual shape stands ahead of its reach.

    For as long again: further out the shape may hold what else the steps' records did.
    ``usual`` and ``sized`` as in `ascan.checks.shape_mismatch.write_shape_residuals`; the usual
    echo is whole.
    """
    shapes, drifts = usual
    height, share = sized
    places, half = shapes.shape[0] - 1, shapes.shape[1] // 2
    for row in range(peak.size):
        if height[row] == 0.0:
            continue
        whole = int(np.rint(position[row]))
        k = int(np.rint((position[row] - whole + 0.5) * places))
        begin = max(half - whole, half - 2 * reach, 0)
        for j in range(begin, min(peak[row] - reach - whole + half, 2 * half + 1)):
            own = shapes[k, j] + share[row] * drifts[k, j]
            trace[row, whole - half + j] -= height[row] * own


@compiled
def shares_beside(
    trace: AnyArray,
    bits: AnyArray,
    gate: tuple[IntArray, IntArray],
    peak: IntArray,
    reach: int,
    beside: Beside,
) -> None:
    """Write what stands ahead of each echo and behind it.

    0 where there is nothing.

    Parameters
    ----------
    trace, bits : ndarray, shape (n, width)
        Conditioned samples, and their bits.
    gate : pair of ndarray, shape (n,)
        First sample of the gate, and the one after its last, in the trace.
    peak : ndarray, shape (n,)
        Own peak of the echo; negative: none.
    reach : int
        So near, it is the echo itself.
    beside : Beside
        Out.
    """
    first, last = gate
    ahead, behind, grain = beside
    for row in range(first.size):
        ahead[row], behind[row], grain[row] = 0.0, 0.0, 0.0
        if peak[row] < 0:
            continue
        samples, own = trace[row], abs(np.float64(trace[row, peak[row]]))
        if own > 0.0:
            ahead[row] = largest_size(samples, bits[row], first[row], peak[row] - reach) / own
            behind[row] = largest_size(samples, bits[row], peak[row] + reach, last[row]) / own
            before = samples[first[row] : max(peak[row] - reach, first[row])]
            if before.size >= ALL_ALONG * reach and ahead[row] > LITTLE:
                grain[row] = NORMAL * np.median(np.abs(before)) / own


@compiled
def largest_size(samples: AnyArray, bits: AnyArray, start: int, stop: int) -> float:
    """Return the largest size of samples in start..stop, 0 of none; ``bits`` are theirs."""
    if stop <= start:
        return 0.0
    return abs(np.float64(samples[largest(bits, start, stop, 0)]))


@compiled
def mark_others(
    beside: Beside,
    usual: tuple[FloatArray, float],
    most: tuple[float, float],
    snr_db: FloatArray,
    relative: FloatArray,
    found: BoolArray,
) -> None:
    """Mark rows that hold more ahead or behind than ``most``, than on the steps, and than noise.

    ``usual`` is what the steps had ahead of such an echo, and behind it. Nothing should stand
    ahead: what does is noise or told. Behind stand later echoes, and noise comes on top of them. Of
    an echo lower than usual (``relative`` below 1) as much less is allowed ahead: coupling lowers
    both, a pit lowers the one and is the other.
    """
    ahead, behind, grain = beside
    for row in range(found.size):
        noise = max(SIGMAS * 10.0 ** (-snr_db[row] / 20.0), GRAIN_SIGMAS * grain[row])
        there = usual[0][row]
        max_before = max(most[0] * relative[row], USUAL * there, there + noise)
        max_after = max(most[1], USUAL * usual[1]) + noise
        if ahead[row] > max_before or behind[row] > max_after:
            found[row] = True


def measure(seen: CheckInput) -> Evidence:
    """Return the largest half-cycle ahead of each echo of a gate over its own, and behind it."""
    at, beside = seen.at, Beside(*(np.empty(seen.rows) for _ in Beside._fields))
    within = (at.trace.first, at.trace.last)
    shares_beside(at.alone, bits_of(at.alone), within, at.peak, seen.about.reach, beside)
    return {
        "before_peak": beside.ahead,
        "after_peak": beside.behind,
        "before_grain": beside.grain,
    }


def applies(layout: Layout) -> bool:
    """Tell that a fit of whole records that models all echoes says itself what is left of them."""
    return not layout.fit_judges_itself


def ahead_of(on: StepReadings) -> FloatArray:
    """Return what stood ahead of the first back-wall echo beyond noise; that says nothing of it."""
    gate = on.layout.back_wall
    noise, ahead = (
        SIGMAS * 10.0 ** (-on.of_gate(gate, "snr_db") / 20.0),
        on.of_gate(gate, "before_peak"),
    )
    return np.where(ahead > noise, ahead, 0.0)


def learn_ahead(on: StepReadings) -> dict[str, FloatArray]:
    """Return the most that stood ahead on each step."""
    return {on.layout.back_wall: on.per_step(ahead_of(on), np.max)} if applies(on.layout) else {}


def learn_most(on: StepReadings) -> dict[str, FloatArray]:
    """Return the most that stood ahead, and behind, on all steps.

    Of whole records that all echoes are fitted to, the largest that neither the fit nor noise
    explained.
    """
    if on.layout.fit_judges_itself:
        if "unexplained_echo" not in on.columns:
            return {}
        most = on.per_step(on.columns["unexplained_echo"])[on.steps.used].max()
        return {on.layout.back_wall: np.array([most, most])}
    behind = on.of_gate(on.layout.back_wall, "after_peak")[on.used]
    return {on.layout.back_wall: np.array([ahead_of(on)[on.used].max(), np.nanmax(behind)])}


def evidence(seen: CheckInput) -> Evidence:
    """Return what is to be expected ahead of each echo, over its height.

    As on the steps beside the wall; behind an interface echo it scales with that one, and is the
    more of a wall echo the lower this is.
    """
    usual = seen.learned(BEFORE_PEAK, seen.layout.back_wall)
    if seen.layout.interface and "relative_amplitude" in seen.columns:
        lower = np.nan_to_num(seen.columns["relative_amplitude"], nan=1.0)
        usual = usual / np.clip(lower, LEAST_LOWER, 1.0)
    return {"usual_before_peak": usual}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag rows with more beside their echo than on the steps."""
    name, other = seen.layout.back_wall, np.zeros(seen.rows, np.bool_)
    usual = seen.gates_with(ADJACENT_PEAKS).get(name)
    if usual is None:
        return {}
    echo, relative = seen.echoes[name], seen.columns.get("relative_strength", np.ones(1))
    part = np.nan_to_num(np.minimum(relative, 1.0), nan=1.0) + np.zeros(seen.rows)
    most = (seen.limit(MAX_BEFORE.name), seen.limit(MAX_AFTER.name))
    there = (found["usual_before_peak"], float(usual[1]))
    mark_others(
        Beside(*(echo.measured[name] for name in ("before_peak", "after_peak", "before_grain"))),
        there,
        most,
        echo.snr_db,
        part,
        other,
    )
    return {Flag.UNEXPECTED_ECHO: other}


MEASURED = Check(
    name="adjacent_peaks",
    stage=Stage.GATE,
    evidence=measure,
    columns=(
        Column(
            "before_peak",
            "1",
            "largest half-cycle ahead of the echo in its gate, over its own",
            True,
        ),
        Column(
            "after_peak", "1", "largest half-cycle behind the echo in its gate, over its own", True
        ),
        Column(
            "before_grain",
            "1",
            "standard deviation of what lies all along ahead of the echo in its gate, or of what a "
            "fit leaves of its record, over its peak; 0 where little stands there",
            True,
        ),
    ),
)
CHECK = Check(
    name="unexpected_echo",
    stage=Stage.READING,
    evidence=evidence,
    judge=judge,
    applies=applies,
    keys=(MAX_BEFORE, MAX_AFTER),
    learns=(
        Lesson(BEFORE_PEAK, Pass.SHAPED, learn_ahead),
        Lesson(ADJACENT_PEAKS, Pass.SHAPED, learn_most),
    ),
)
