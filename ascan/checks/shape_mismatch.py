"""SHAPE_MISMATCH, of single echoes: an echo has another shape than the steps' echoes had.

A pit or a slope under part of the beam, roughness, an echo that runs into it, another probe, more
attenuation or dispersion than in the block: all change an echo's shape before they hide it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Evidence, Key, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.checks.lesson import Lesson, Pass, StepReadings
from ascan.finding.rows import Learned
from ascan.kernels.arrays import AnyArray, BoolArray, FloatArray, IntArray
from ascan.kernels.jit import compiled
from ascan.kernels.subsample import cosine_height
from ascan.kernels.sums import dot
from ascan.steps.learned_value import Kind, LearnedValue

# Told is what exceeds the usual shape_residual so many times, or is this much more, and so many
# times what noise adds; an echo's root mean square over one and a half periods to each side is
# about this part of its height.
USUAL, NOISE, ROOT_MEAN_SQUARE = 1.5, 1.5, 0.4
# An echo drifts no further than this, of what the steps' own echoes do.
MOST_DRIFT = 1.2
# First arrivals between two steps are left by up to so much of what these leave of each other, and
# by 0.06 more (aperture integral, steps of factors 1.3 to 3 from 1 to 25 mm).
BETWEEN = 0.85
# Clipping takes the crests, and neither time nor half-cycle, up to so much; beyond, a first arrival
# may be missed (own study, clipped by 8 to 40 dB).
CLIPPED, MOST_CLIPPED = np.uint32(Flag.SATURATED), 0.25
# A fit of all echoes leaves what their models lack as well: it may leave so much more.
OF_A_FIT = 1.25
MAX_SHAPE_RESIDUAL = Key(
    name="max_shape_residual",
    default=0.08,
    above=0.0,
    most=1.0,
    meaning="what the steps' mean echo, or the fit of a whole record, may leave of an echo beyond "
    "what it left of theirs, as a share of its root mean square",
    why="so much is left where an echo 22 dB below runs into it (reckoned); what it may have moved "
    "the time by is in the uncertainty",
)
SHAPE_RESIDUAL = LearnedValue(
    name="shape_residual",
    kind=Kind.PER_STEP,
    unit="1",
    meaning="most that the mean echo of a gate, or the fit of all echoes, left of the echoes of a "
    "step, over their root mean square",
)


class Usual(NamedTuple):
    """The usual echo and its drift, laid out from half a sample early to half a sample late.

    Attributes
    ----------
    shapes, drifts : ndarray, shape (places + 1, size)
    """

    shapes: AnyArray
    drifts: AnyArray


class Sized(NamedTuple):
    """Each echo is so many times the usual one with so much of its drift, shape (n,); 0: none."""

    height: FloatArray
    share: FloatArray


@compiled
def write_shape_residuals(
    trace: AnyArray, position: FloatArray, usual: Usual, shape_residual: FloatArray, sized: Sized
) -> None:
    """Write what of each echo its usual shape leaves, as a share of its root mean square.

    Between thin walls and thick ones echoes change their shape (diffraction, attenuation): what the
    steps showed of that is part of the usual shape.

    Parameters
    ----------
    trace : ndarray, shape (n, width)
        Conditioned samples.
    position : ndarray, shape (n,)
        Times of the echoes, in samples of the trace; NaN where there is none.
    usual : Usual
        Of the trace's type.
    shape_residual : ndarray, shape (n,)
        Out: the square root of 1 - c², c the correlation; NaN where the echo is not whole.
    sized : Sized
        Out.
    """
    shapes, drifts = usual
    height, share = sized
    places, half = shapes.shape[0] - 1, shapes.shape[1] // 2
    for row in range(position.size):
        shape_residual[row], height[row], share[row] = np.nan, 0.0, 0.0
        if not np.isfinite(position[row]):
            continue
        whole = int(np.rint(position[row]))
        start = whole - half
        if start < 0 or start + shapes.shape[1] > trace.shape[1]:
            continue
        k = int(np.rint((position[row] - whole + 0.5) * places))
        echo, shape, drift = trace[row, start : start + shapes.shape[1]], shapes[k], drifts[k]
        energy = dot(echo, echo)
        shared, power, more = dot(shape, drift), dot(shape, shape), dot(drift, drift)
        alike, along = dot(echo, shape), dot(echo, drift)
        if not (energy > 0.0 and alike != 0.0):
            continue
        # The best share of the drift, of least squares; no more than the steps showed.
        part, bend = 0.0, more * alike - shared * along
        if more > 0.0 and bend / alike > 0.0:
            part = min(max((power * along - shared * alike) / bend, -MOST_DRIFT), MOST_DRIFT)
        product = alike + part * along
        square = power + part * (2.0 * shared + part * more)
        shape_residual[row] = np.sqrt(max(1.0 - product * product / (square * energy), 0.0))
        height[row], share[row] = product / square, part


@compiled
def write_arrival_residuals(
    trace: AnyArray,
    peak: IntArray,
    clock: tuple[FloatArray, float],
    learned: Learned,
    reach: int,
    shape_residual: FloatArray,
) -> None:
    """Write what of each first arrival those of the steps beside it leave.

    As `write_shape_residuals` does. Between two steps it changes evenly with its time. Its place is
    taken where they fit best.

    Parameters
    ----------
    trace : ndarray, shape (n, width)
        Conditioned samples.
    peak : ndarray, shape (n,)
        Top of the timed half-cycle, in samples of the trace; negative where there is none.
    clock : tuple
        Time of each trace's first sample, shape (n,), and of one sample, in µs.
    learned : Learned
    reach : int
        So many samples to each side of the top they are laid.
    shape_residual : ndarray, shape (n,)
        Out; NaN where the arrival is not whole.
    """
    clock_us, sample_us = clock
    shapes, arrival_us, zero_index = learned
    found, wanted = np.empty(2 * reach + 1), np.empty(shapes.shape[1])
    for row in range(peak.size):
        shape_residual[row] = np.nan
        time_us = clock_us[row] + sample_us * peak[row]
        right = min(max(int(np.searchsorted(arrival_us, time_us)), 1), arrival_us.size - 1)
        left = right - 1 if arrival_us.size > 1 else right
        apart = arrival_us[right] - arrival_us[left]
        share = (time_us - arrival_us[left]) / apart if apart > 0.0 else 0.0
        share = min(max(share, 0.0), 1.0)
        size = 0
        while size < wanted.size and not np.isnan(shapes[left, size] + shapes[right, size]):
            wanted[size] = (1.0 - share) * shapes[left, size] + share * shapes[right, size]
            size += 1
        start = peak[row] - zero_index
        if peak[row] < 0 or start < reach or start + size + reach >= trace.shape[1] or size < 2:
            continue
        best, power = reach, dot(wanted[:size], wanted[:size])
        for k in range(found.size):
            part = trace[row, start + k - reach : start + k - reach + size]
            product, own = 0.0, 0.0
            for j in range(size):
                value = np.float64(part[j])
                product += value * wanted[j]
                own += value * value
            found[k] = product / np.sqrt(own * power) if own * power > 0.0 else 0.0
            if found[k] > found[best]:
                best = k
        if 0 < best < found.size - 1 and found[best] > 0.0:
            top = cosine_height(found[best - 1], found[best], found[best + 1])
            shape_residual[row] = np.sqrt(max(1.0 - top * top, 0.0))


def arrival_reach(period: float) -> int:
    """Return how many samples an arrival is moved to each side to find where it lies best."""
    return int(np.ceil(0.25 * period)) + 1


def allowed_between(learned: Learned, reach: int) -> FloatArray:
    """Return what arrivals between two steps may be left by those of the steps, shape (steps - 1,).

    They change less evenly, the less alike the two are.
    """
    shapes, zero_index = learned.shapes, learned.zero_index
    later = np.nan_to_num(np.pad(shapes[1:], ((0, 0), (reach + 1, reach + 2))))
    apart, place = np.empty(len(shapes)), np.array([zero_index + reach + 1])
    for k in range(len(later)):
        clock, step = (np.zeros(1), 0.0), Learned(shapes[k : k + 1], np.zeros(1), zero_index)
        write_arrival_residuals(later[k : k + 1], place, clock, step, reach, apart[k : k + 1])
    return BETWEEN * np.nan_to_num(apart[:-1])


def _left_by_noise(snr_db: FloatArray, times: float = 1.0) -> FloatArray:
    """Return what so many times the noise leaves of an echo, over its root mean square."""
    return np.asarray(times / ROOT_MEAN_SQUARE * 10.0 ** (-snr_db / 20.0))


def u_of_shape_us(
    shape_residual: FloatArray, usual: float, snr_db: FloatArray, frequency_mhz: float
) -> FloatArray:
    """Return how far an echo unlike the usual one may have been timed astray, shape (n,).

    What is left of it beyond noise and the ``usual`` may lie along its slope as well as across: a
    part m of its root mean square moves it by m / (2 π f). NaN misfits say nothing.
    """
    noise = _left_by_noise(snr_db, NOISE)
    beyond = np.sqrt(np.maximum(np.nan_to_num(shape_residual**2 - noise**2 - usual**2), 0.0))
    return np.asarray(beyond / (2.0 * np.pi * frequency_mhz))


def is_unlike(
    shape_residual: FloatArray, usual: FloatArray, most: FloatArray, snr_db: FloatArray
) -> BoolArray:
    """Return which leave more than ``most`` beyond what the steps and noise do, shape (n,).

    Parameters
    ----------
    shape_residual, snr_db : ndarray, shape (n,)
        NaN of an echo of which it is not known: it is not unlike.
    usual, most : ndarray, shape (n,)
        What steps as thick as each row's wall left, and how much more it may be.
    """
    noise = _left_by_noise(snr_db, NOISE)
    allowed = np.maximum(USUAL * usual, usual + most)
    return np.asarray(shape_residual**2 > allowed**2 + noise**2)


def over_all_noise(seen: CheckInput, name: str) -> FloatArray:
    """Return an echo's peak over noise and grain, dB, shape (n,).

    Grain is what lies all along ahead of an echo, or what a fit leaves all over its record.
    """
    echo = seen.echoes[name]
    share = echo.measured.get("before_grain", np.zeros(seen.rows))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.fmin(echo.snr_db, -20.0 * np.log10(share))


def learn(on: StepReadings) -> dict[str, FloatArray]:
    """Return the most that the mean echo of each gate left of the echoes of each step.

    What noise leaves is taken off. Steps of which no reading was whole and sound count as the worst
    of the others.
    """
    found = {}
    for name in on.shaped:
        shape_residual = on.of_gate(name, "shape_residual")
        noise = _left_by_noise(on.of_gate(name, "snr_db"))
        left = np.sqrt(np.maximum(shape_residual**2 - noise**2, 0.0))
        whole = on.used & on.sound & np.isfinite(left)
        if whole.any():
            each = on.steps.per_step(left, on.ids, whole, np.max)
            unread = on.steps.used & np.isnan(each)
            found[name] = np.where(unread, left[whole].max(), each)
    return found


def evidence(seen: CheckInput) -> Evidence:
    """Return what each wall echo leaves of the usual one, and what it may, shape (gates, n).

    What a wall hides does not show in the interface echo: what its shape does to a time is in the
    uncertainty.
    """
    gates = _gates(seen)
    left, usual = np.empty((len(gates), seen.rows)), np.empty((len(gates), seen.rows))
    between, arrivals = seen.about.between_arrivals, seen.about.arrivals
    for k, name in enumerate(gates):
        echo, usual[k] = seen.echoes[name], seen.learned(SHAPE_RESIDUAL, name)
        left[k] = echo.shape_residual
        if between.size and arrivals is not None:
            known_us = np.nan_to_num(seen.echoes[name].time_us)
            place = np.searchsorted(arrivals.arrival_us, known_us) - 1
            usual[k] = np.maximum(usual[k], between[place.clip(0, between.size - 1)])
    return {"left": left, "usual": usual}


def _gates(seen: CheckInput) -> list[str]:
    """Return the gates of wall echoes whose usual shape is known."""
    known = seen.gates_with(SHAPE_RESIDUAL)
    return [name for name in known if name != seen.layout.interface]


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag rows that have an echo of another shape."""
    unlike, gates = np.zeros(seen.rows, np.bool_), _gates(seen)
    for name, left, usual in zip(gates, found["left"], found["usual"], strict=True):
        snr_db, clipped = over_all_noise(seen, name), seen.echoes[name].flags & CLIPPED != 0
        most = np.where(clipped, MOST_CLIPPED, seen.limit(MAX_SHAPE_RESIDUAL.name))
        if seen.layout.fit_judges_itself:
            most *= OF_A_FIT
        unlike |= is_unlike(left, usual, most, snr_db)
    return {Flag.SHAPE_MISMATCH: unlike}


CHECK = Check(
    name="shape_mismatch",
    stage=Stage.READING,
    evidence=evidence,
    judge=judge,
    keys=(MAX_SHAPE_RESIDUAL,),
    learns=(Lesson(SHAPE_RESIDUAL, Pass.SHAPED, learn),),
)
