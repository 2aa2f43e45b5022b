"""Learning what the records of a probe look like from readings on known steps, all at once.

Pulses are sought as linear filters together with what distance does to them, while every reading
keeps its own heights and baseline (and time zero). One Gauss-Newton step solves for all of it: what
belongs to one reading is projected out first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.whole_record.step_records import Estimate, Family, Learned, StepRecords

ROUNDS, SETTLED = 40, 3e-6
# Damping of the first step and of the last ones, and how many steps may be refused in all.
LEAST_DAMPING, MOST_REFUSED = 1e-9, 6
# A value whose uncertainty the steps leave so much of is not learned.
UNLEARNED = 0.8
# Directions that the readings leave free (a pulse's height, its time zero) are left where they are.
FREE = 1e-11


def _solve_heights(family: Family, estimate: Estimate, records: StepRecords) -> float:
    """Set all heights by least squares and the noise by what is left; return its energy."""
    total = 0.0
    for row in range(len(records.known_mm)):
        frequencies = family.frequencies
        echoes = frequencies.back(family.echoes(estimate, records, row))
        weight = records.weight[row]
        own = np.concatenate([echoes, frequencies.waves])
        linear = (own * weight).T
        solved = np.linalg.lstsq(linear, records.samples[row] * weight, rcond=1e-7)[0]
        estimate.heights[row] = solved[: len(echoes)]
        left = records.samples[row] * weight - linear @ solved
        free = max(int(weight.sum()) - linear.shape[1] - 1, 1)
        estimate.noise[row] = np.sqrt(left @ left / free)
        total += float(left @ left)
    return total


@dataclass(eq=False, slots=True)
class Normal:
    """Normal equations of what readings share, by step, each reading's own values projected out."""

    matrix: FloatArray
    right: FloatArray
    own: list[FloatArray]


def _normal(family: Family, estimate: Estimate, records: StepRecords) -> Normal:
    steps = records.u_step_mm.size
    shared = estimate.pulses.size + len(family.names)
    size = shared + steps
    normal = Normal(np.zeros((steps, size, size)), np.zeros((steps, size)), [])
    for row in range(len(records.known_mm)):
        place, thickness = estimate.place[row], float(estimate.thickness_mm[row])
        found = family.columns(
            estimate, place, thickness, estimate.heights[row], float(records.usual[row])
        )
        weight = records.weight[row] / estimate.noise[row]
        own = (found.own * weight).T
        step = int(records.step[row])
        common = (np.concatenate([found.shared, found.thicker[None]]) * weight).T
        left = (records.samples[row] - found.model) * weight
        q, r = np.linalg.qr(own)
        along = q.T @ common
        rest = left - q @ (q.T @ left)
        common_rest = common - q @ along
        chosen = np.append(np.arange(shared), shared + step)
        normal.matrix[step][np.ix_(chosen, chosen)] += common_rest.T @ common_rest
        normal.right[step][chosen] += common_rest.T @ rest
        normal.own.append(np.linalg.lstsq(r, np.column_stack([q.T @ left, along]), rcond=1e-9)[0])
    return normal


def _priors(
    family: Family, estimate: Estimate, records: StepRecords
) -> tuple[FloatArray, FloatArray]:
    """Return weights and offsets that stand for what is known beforehand."""
    values, nominal = estimate.operator.values(), family.nominal.values()
    known = np.array(
        [records.known_mm[records.step == k][0] for k in range(records.u_step_mm.size)]
    )
    now = np.array(
        [estimate.thickness_mm[records.step == k][0] for k in range(records.u_step_mm.size)]
    )
    weight = np.concatenate([1.0 / family.sigma**2, 1.0 / records.u_step_mm**2])
    return weight, np.concatenate([nominal - values, known - now])


def _solved(matrix: FloatArray, right: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return solution and inverse, left at zero in directions that nothing decides."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    scaled = matrix * np.outer(scale, scale)
    value, vector = np.linalg.eigh(scaled)
    kept = value > FREE * value[-1]
    inverse = (vector[:, kept] / value[kept]) @ vector[:, kept].T * np.outer(scale, scale)
    return inverse @ right, inverse


def learn(
    family: Family, records: StepRecords, estimate: Estimate, *, fixed_pulse: bool = False
) -> Learned:
    """Return what the readings teach, from a start near it.

    Parameters
    ----------
    family : Family
    records : StepRecords
    estimate : Estimate
        The start; it is moved.
    fixed_pulse : bool
        Whether the pulses stay as they are.
    """
    pulses = np.full(estimate.pulses.size, not fixed_pulse)
    free = np.concatenate([pulses, family.sought, np.ones(records.u_step_mm.size, bool)])
    improve(family, records, estimate, free)
    return _finished(family, estimate, records, free)


def improve(
    family: Family,
    records: StepRecords,
    estimate: Estimate,
    free: AnyArray | None = None,
    rounds: int = ROUNDS,
) -> float:
    """Move an estimate by Gauss-Newton steps; return the energy that is left.

    ``free`` says which of the shared values are sought; without it, all that the family seeks.
    """
    pulses = estimate.pulses.size
    if free is None:
        ones = np.ones(pulses + records.u_step_mm.size, bool)
        free = np.concatenate([ones[:pulses], family.sought, ones[pulses:]])
    records = family.end_windows(estimate, records)
    _solve_heights(family, estimate, records)
    last, damping, refused = np.inf, 1e-3, 0
    for _ in range(rounds):
        # All readings weigh alike, as they do in the energy that tells whether a step was good.
        estimate.noise[:] = np.sqrt(np.mean(estimate.noise**2))
        normal = _normal(family, estimate, records)
        weight, offset = _priors(family, estimate, records)
        matrix, right = normal.matrix.sum(axis=0), normal.right.sum(axis=0)
        matrix[pulses:, pulses:] += np.diag(weight)
        right[pulses:] += weight * offset
        damped = matrix + np.diag(damping * np.diag(matrix))
        step = np.zeros(free.size)
        step[free] = _solved(damped[np.ix_(free, free)], right[free])[0]
        kept = estimate.copy()
        _move(family, estimate, step, normal, records)
        left = _solve_heights(family, estimate, records)
        if left > last * (1.0 + 1e-9):
            estimate.restore(kept)
            refused += 1
            damping *= 30.0
            if refused > MOST_REFUSED:
                break
            continue
        settled = last - left < SETTLED * left
        last = left
        _normalise(family, estimate)
        # A damped step that gains little may only have been too short.
        if settled and (damping <= LEAST_DAMPING or refused):
            break
        damping = max(damping * 1e-2, LEAST_DAMPING)
    _solve_heights(family, estimate, records)
    return last


def fit_pulses(family: Family, records: StepRecords, estimate: Estimate, rounds: int) -> None:
    """Move an estimate's pulses and each reading's own values, leaving operator and steps."""
    pulses = estimate.pulses.size
    shared = np.arange(pulses + len(family.names) + records.u_step_mm.size)
    improve(family, records, estimate, shared < pulses, rounds)


def _move(
    family: Family, estimate: Estimate, step: FloatArray, normal: Normal, records: StepRecords
) -> None:
    """Move pulses, operator and steps by a step, and each reading's place by what follows."""
    pulses = estimate.pulses.size
    shared = pulses + len(family.names)
    estimate.pulses = estimate.pulses + step[:pulses].reshape(estimate.pulses.shape)
    values = estimate.operator.values() + step[pulses:shared]
    estimate.operator = estimate.operator.with_values(values)
    estimate.thickness_mm = estimate.thickness_mm + step[shared:][records.step]
    for row, own in enumerate(normal.own if family.own_place else []):
        chosen = np.append(np.arange(shared), shared + int(records.step[row]))
        estimate.place[row] += own[0, 0] - own[0, 1:] @ step[chosen]


def _normalise(family: Family, estimate: Estimate) -> None:
    """Give every pulse height 1, so that heights are codes."""
    functions = family.frequencies.basis.functions
    sizes = np.abs(estimate.pulses @ functions).max(axis=1)
    estimate.pulses = estimate.pulses / sizes[:, None]
    for row, heights in enumerate(estimate.heights):
        estimate.heights[row] = heights * sizes[family.pulse_of(heights.size)]


def _finished(family: Family, estimate: Estimate, records: StepRecords, free: AnyArray) -> Learned:
    """Return the estimate with its covariance, and what leaving each step out would change."""
    heights = list(estimate.heights)
    records = family.end_windows(estimate, records)
    estimate.heights = heights
    pulses = estimate.pulses.size
    shared = pulses + len(family.names)
    estimate.noise = estimate.noise * _colour(family, estimate, records)
    normal = _normal(family, estimate, records)
    weight, offset = _priors(family, estimate, records)
    prior = np.zeros(shared + records.u_step_mm.size)
    prior[pulses:] = weight
    matrix = normal.matrix.sum(axis=0) + np.diag(prior)
    inverse = np.zeros_like(matrix)
    inverse[np.ix_(free, free)] = _solved(matrix[np.ix_(free, free)], np.zeros(free.sum()))[1]
    without = []
    pulled = np.zeros(prior.size)
    pulled[pulses:] = weight * offset
    for k in range(records.u_step_mm.size):
        others = matrix - normal.matrix[k]
        change = np.zeros(free.size)
        right = normal.right.sum(axis=0) - normal.right[k] + pulled
        # Without the step its own thickness is what was certified, and says nothing.
        change[free], found = _solved(others[np.ix_(free, free)], right[free])
        kept = np.zeros_like(inverse)
        kept[np.ix_(free, free)] = found
        without.append((change[:shared], kept[:shared, :shared]))
    spread = np.sqrt(np.diag(inverse)[pulses:shared])
    unlearned = [
        name
        for k, name in enumerate(family.names)
        if free[pulses + k] and spread[k] > UNLEARNED * family.sigma[k]
    ]
    return Learned(family, estimate, inverse[:shared, :shared], unlearned, without)


def left_of(family: Family, estimate: Estimate, records: StepRecords, row: int) -> FloatArray:
    """Return what a reading's model leaves of its samples, the baseline included."""
    echoes = family.frequencies.back(family.echoes(estimate, records, row))
    return np.asarray(records.samples[row] - estimate.heights[row] @ echoes)


def _colour(family: Family, estimate: Estimate, records: StepRecords) -> float:
    """Return by how much more noise the pulse's band holds than white noise would put there."""
    frequencies = family.frequencies
    power, number = 0.0, 0.0
    for row in range(len(records.known_mm)):
        weight = records.weight[row]
        left = left_of(family, estimate, records, row) * weight
        own = (frequencies.waves * weight).T
        left = left - own @ np.linalg.lstsq(own, left, rcond=1e-7)[0]
        spectrum = np.abs(np.fft.rfft(left, frequencies.transform)[: frequencies.mhz.size]) ** 2
        pulse = np.abs(estimate.pulses[-1] @ frequencies.functions) ** 2
        power += float(spectrum @ pulse / pulse.sum()) / float(left @ left)
        number += 1.0
    return float(np.sqrt(max(power / number, 1.0)))
