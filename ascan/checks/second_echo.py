"""UNEVEN_SPACING: the wall's second echo, where it is heard, does not follow where the first says.

An interval that begins with time zero or with the interface echo is told from one echo alone. The
next one must follow it by what the reading says of the wall; if it is heard and comes at another
time, the first was not the wall's, something lies ahead of it (coating, film, lost samples), or it
was timed on another half-cycle. Where the steps had second echoes, a wall of such a thickness
that has none is doubtful, too: its first was something else (an echo of the shot before, say), or
most of the sound went elsewhere.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Column, Evidence, Key, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.checks.lesson import Lesson, Pass, StepReadings
from ascan.kernels.arrays import AnyArray, BoolArray, FloatArray, IntArray
from ascan.kernels.jit import compiled
from ascan.kernels.subsample import peak_offset
from ascan.kernels.sums import dot
from ascan.path.modes import Layout
from ascan.steps.learned_value import Kind, LearnedValue

# It is sought so many periods to each side; half an echo is so many long.
SOUGHT_PERIODS, HALF_PERIODS = 6.0, 1.5
# Heard is what stands so far out of the noise, is this part of the first, and as like it as this.
SIGMAS, LEAST_SHARE, LEAST_LIKE = 8.0, 0.08, 0.75
# A crest with this share of the highest one's height may be the echo as well.
ALIKE = 0.95
# The second echo of a dual probe has another shape than its first, and is sought nearby only;
# what it comes late by is in the uncertainty, up to another half-cycle.
MOST_DUAL_PERIODS, DUAL_PERIODS = 0.5, 1.5
# A film between two hard bodies turns the second echo so far; more is another echo.
MOST_LATE_PERIODS = 1.0
MAX_SECOND_DELAY = Key(
    name="max_second_echo_delay_periods",
    default=0.2,
    above=0.0,
    most=1.0,
    meaning="by how much the wall's second echo may be off",
    why="diffraction moves it by 0.07 periods at most (own table, `ascan.path.diffraction`), "
    "another half-cycle by half a period",
)
SCAN_DELAY = Column(
    "scan_delay_us",
    "us",
    "the scan's middle of `second_echo_delay_us` (first arrivals) or `delay_us` (whole records); "
    "it is in the uncertainty of a dual probe's readings whose own second echo is not heard. NaN: "
    "not learned",
)
SECOND_DELAY = LearnedValue(
    name="second_echo_delay_us",
    kind=Kind.PER_STEP,
    unit="us",
    meaning="by how much the wall's second echo came later than twice the wall takes",
)
SECOND_TURN = LearnedValue(
    name="second_echo_turn",
    kind=Kind.PER_STEP,
    unit="1",
    meaning="1: under a dual probe the wall's second echo was most like its first; -1: turned over",
    absent=0.0,
)


@compiled
def highest_inside(sizes: FloatArray, margin: int, near: int) -> int:
    """Return the highest of those that none within ``near`` exceeds; of none, the middle.

    It lies further than ``margin`` from the ends. There they may go on growing: that is another
    echo, and ``near`` its length.
    """
    best, height = sizes.size // 2, 0.0
    for k in range(margin + 1, sizes.size - margin - 1):
        if sizes[k] > height and sizes[k] >= sizes[max(k - near, 0) : k + near + 1].max():
            best, height = k, sizes[k]
    return best


@compiled
def nearest_alike(sizes: FloatArray, highest: int, middle: int) -> int:
    """Return the crest nearest to ``middle`` of those about as high as the highest one."""
    best = highest
    for k in range(1, sizes.size - 1):
        crest = sizes[k] >= sizes[k - 1] and sizes[k] >= sizes[k + 1]
        if crest and sizes[k] >= ALIKE * sizes[highest] and abs(k - middle) < abs(best - middle):
            best = k
    return best


@compiled
def peak_offset_at(sizes: FloatArray, crest: int) -> float:
    """Return where beside a crest its own top lies, by the values next to it."""
    if crest <= 0 or crest >= sizes.size - 1:
        return 0.0
    return np.float64(peak_offset(sizes[crest - 1], sizes[crest], sizes[crest + 1]))


class Second(NamedTuple):
    """The second echo of each row, shape (n,); NaN where the search ends before it.

    Attributes
    ----------
    off : ndarray
        By how many samples it is heard late; NaN also where it is not heard.
    least : ndarray
        By how many at least, where another half-cycle fits about as well.
    share : ndarray
        It over the first echo; negative: turned over.
    """

    off: FloatArray
    least: FloatArray
    share: FloatArray


@compiled
def write_second(
    around: tuple[AnyArray, AnyArray],
    room: IntArray,
    noise: FloatArray,
    turn: FloatArray,
    period: float,
    second: Second,
) -> None:
    """Write where each row's second echo is heard, and how large it is.

    Parameters
    ----------
    around : pair of ndarray, shapes (n, 2 half + 1) and (n, 2 half + 1 + 2 sought)
        Conditioned samples round the first echo, and those round where the second one is due.
    room : ndarray, shape (n,), int64
        So many samples to each side of that the search may go (negative: no search).
    noise : ndarray, shape (n,)
        In codes.
    turn : ndarray, shape (n,)
        1: the second echo is like the first; -1: turned over; 0: either. The faces of a wall turn
        both of its echoes over, or neither; under a dual probe their shapes differ.
    period : float
        In samples.
    second : Second
        Out.
    """
    first, later = around
    off, least, share = second
    width = first.shape[1]
    sought = (later.shape[1] - width) // 2
    sizes = np.empty(2 * sought + 1)
    for row in range(off.size):
        off[row], least[row], share[row] = np.nan, np.nan, np.nan
        own = dot(first[row], first[row])
        reach = min(room[row], sought)
        if reach < 0.5 * period or not own > 0.0:
            continue
        # Another echo's flank beyond the reach shows its crest half a period further on.
        beyond = min(reach + int(0.5 * period) + 1, sought)
        for k in range(2 * beyond + 1):
            alike = dot(first[row], later[row, sought - beyond + k :][:width])
            sizes[k] = abs(alike) if turn[row] == 0.0 else turn[row] * alike
        highest = highest_inside(sizes[: 2 * beyond + 1], beyond - reach, width)
        best_lag = highest - beyond
        best = sizes[best_lag + beyond]
        piece = later[row, sought + best_lag : sought + best_lag + width]
        share[row] = np.copysign(best, dot(first[row], piece)) / own
        energy = dot(piece, piece)
        like = best / np.sqrt(max(own * energy, 1e-300))
        height, top = np.abs(piece).max(), np.abs(first[row]).max()
        heard = height > SIGMAS * noise[row] and height > LEAST_SHARE * top and like > LEAST_LIKE
        # Within less than a period, its time is not told from a neighbouring half-cycle's.
        if heard and reach >= period:
            off[row] = best_lag + peak_offset_at(sizes, highest)
            nearest = nearest_alike(sizes[: 2 * beyond + 1], highest, beyond)
            least[row] = nearest - beyond + peak_offset_at(sizes, nearest)


def is_lower(share: FloatArray, least: FloatArray, snr_db: FloatArray, sigmas: float) -> BoolArray:
    """Return whose second echo is lower than ``least`` by more than noise, shape (n,).

    ``share`` is the second echo's of the first, ``least`` what it must be (NaN of either: it is not
    lower), ``snr_db`` the first echo's; noise counts for so many of its standard deviations.
    """
    return np.asarray(share + sigmas * 10.0 ** (-snr_db / 20.0) < least)


def due_us(seen: CheckInput, gate: str) -> FloatArray:
    """Return by how much a wall's second echo follows its first, as the steps' did."""
    thickness, steps = seen.thickness_mm, seen.about.steps
    later_us = 2.0 * thickness / seen.about.velocity_mm_per_us
    late_us = seen.gates_with(SECOND_DELAY).get(gate)
    if late_us is None or steps is None:
        return later_us
    has = ~np.isnan(late_us)
    return later_us + np.interp(thickness, steps.thickness_mm[has], late_us[has])


def repeat_us(seen: CheckInput) -> FloatArray | float:
    """Return when the water or delay line repeats the interface echo, less an echo's reach.

    Infinite where there is none.
    """
    if not seen.layout.interface:
        return np.inf
    surface_us = seen.echoes[seen.layout.interface].time_us
    path_us = np.nan_to_num(surface_us - seen.about.probe.delay_us, nan=np.inf)
    return np.asarray(surface_us + path_us - seen.layout.reach_us)


def applies(layout: Layout) -> bool:
    """Tell that one echo says how thick the wall is."""
    return layout.mode.single_echo


def learn(on: StepReadings) -> dict[str, FloatArray]:
    """Return by how much each step's second echo came late.

    Steps of which it was not heard take it from those beside; nothing where it was on none. Under a
    dual probe it may be as late as it likes: its path gives the least time only.
    """
    if "second_echo_delay_us" not in on.columns:
        return {}
    off_us, curved = on.columns["second_echo_delay_us"], on.layout.is_dual
    most_us = np.inf if curved else MOST_LATE_PERIODS * on.layout.period_us
    heard = on.used & (np.abs(off_us) <= most_us)
    if not heard.any():
        return {}
    late_us = on.steps.per_step(off_us, on.ids, heard)
    has, used, steps_mm = ~np.isnan(late_us), on.steps.used, on.steps.thickness_mm
    every = np.full(steps_mm.size, np.nan)
    every[used] = np.interp(steps_mm[used], steps_mm[has], late_us[has])
    return {on.layout.back_wall: every}


def learn_turn(on: StepReadings) -> dict[str, FloatArray]:
    """Return which way up each step's second echo is.

    A step of which it was not heard takes it from the next that was, one whose readings differ
    says nothing.
    """
    if not on.layout.is_dual or "second_echo_delay_us" not in on.columns:
        return {}
    heard = on.used & np.isfinite(on.columns["second_echo_delay_us"])
    if not heard.any():
        return {}
    turn = on.steps.per_step(np.sign(on.columns["second_echo_ratio"]), on.ids, heard, np.mean)
    has, steps_mm = np.flatnonzero(np.isfinite(turn)), on.steps.thickness_mm
    nearest = np.abs(steps_mm[:, None] - steps_mm[has]).argmin(axis=1)
    return {on.layout.back_wall: np.trunc(turn[has][nearest])}


def evidence(seen: CheckInput) -> Evidence:
    """Return by how much the wall's second echo, where it is heard, comes late, and its share.

    And by how many samples it is off at least, with what it may be.
    """
    name, period = seen.layout.gates[-1], seen.about.period
    echo, later_us, curve = seen.echoes[name], due_us(seen, name), seen.about.arrivals
    if curve is not None:
        later_us = np.interp(seen.thickness_mm, curve.thickness_mm, curve.second_us)
    half, sought = int(np.ceil(HALF_PERIODS * period)), int(np.ceil(SOUGHT_PERIODS * period))
    later = np.nan_to_num(later_us * seen.rate, nan=0.0)
    # The echo peak of a long echo may be one of its first half-cycles.
    place = (echo.envelope_us - seen.start_time_us) * seen.rate
    known = np.isfinite(place) & (curve is None)
    middle = np.where(known, np.rint(np.nan_to_num(place)), echo.peak).astype(np.int64)
    due = np.rint(later).astype(np.int64) + middle
    room = _room(seen, later, due, half)
    room[(echo.peak < 0) | ~np.isfinite(later_us)] = -1
    if curve is not None:
        # Beside it comes the mode-converted arrival.
        room = np.minimum(room, int(DUAL_PERIODS * period))
    first = seen.cut(middle - half, 2 * half + 1)
    second = seen.cut(due - half - sought, 2 * (half + sought) + 1)
    found = Second(np.empty(seen.rows), np.empty(seen.rows), np.empty(seen.rows))
    noise = echo.noise(seen.about.recording.full_scale)
    write_second((first, second), room, noise, _turn(seen, name), period, found)
    of_scan = {SCAN_DELAY.name: np.full(seen.rows, seen.about.scan_delay_us)}
    return (of_scan if curve is not None else {}) | {
        "second_echo_delay_us": found.off / seen.rate,
        "second_echo_ratio": found.share,
        "least": found.least,
        "most": _most(seen, name),
    }


def _turn(seen: CheckInput, gate: str) -> FloatArray:
    """Return which way up a second echo is, shape (n,): 0 where the steps do not agree on it."""
    if seen.about.arrivals is None:
        return np.ones(seen.rows)
    most, least = (seen.learned(SECOND_TURN, gate, which) for which in (np.maximum, np.minimum))
    return np.where(most == least, most, 0.0)


def _room(seen: CheckInput, later: FloatArray, due: IntArray, half: int) -> IntArray:
    """Return how many samples to each side of where it is due a second echo may be sought.

    No nearer than half way to the echoes before and after it, and inside the record; nor as late as
    the water or delay line repeats the interface echo.
    """
    echo = seen.echoes[seen.layout.gates[-1]]
    inside = seen.block.shape[1] - 1 - half - due
    room = np.minimum((0.5 * later).astype(np.int64) - half, inside)
    repeat = (repeat_us(seen) - echo.time_us) * seen.rate - later
    near = np.minimum(room, np.nan_to_num(repeat, nan=-1.0, posinf=1e9))
    return np.asarray(near, np.int64)


def _most(seen: CheckInput, gate: str) -> FloatArray:
    """Return by how many samples it may be off: between two steps it may follow either."""
    period, steps = seen.about.period, seen.about.steps
    late_us = seen.gates_with(SECOND_DELAY).get(gate)
    slack_us: FloatArray | float = 0.0
    if late_us is not None and steps is not None:
        has = ~np.isnan(late_us)
        apart_us = np.abs(np.diff(late_us[has], prepend=late_us[has][0]))
        after = np.searchsorted(steps.thickness_mm[steps.used], seen.thickness_mm)
        slack_us = 0.5 * apart_us[after.clip(0, apart_us.size - 1)]
    most = seen.limit(MAX_SECOND_DELAY.name) * period + slack_us * seen.rate
    if seen.about.arrivals is not None:
        most = np.maximum(most, MOST_DUAL_PERIODS * period)
    return np.asarray(most)


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag rows whose second echo comes at another time."""
    return {Flag.UNEVEN_SPACING: np.abs(found["least"]) > found["most"]}


CHECK = Check(
    name="second_echo",
    stage=Stage.READING,
    evidence=evidence,
    judge=judge,
    applies=applies,
    keys=(MAX_SECOND_DELAY,),
    columns=(
        Column(
            "second_echo_delay_us",
            "us",
            "by how much the wall's second echo, where heard, comes late",
        ),
        Column(
            "second_echo_ratio",
            "1",
            "the wall's second echo over its first; negative: turned over",
        ),
        SCAN_DELAY,
    ),
    learns=(
        Lesson(SECOND_DELAY, Pass.CALIBRATED, learn),
        Lesson(SECOND_TURN, Pass.FOLLOWED, learn_turn),
    ),
)
