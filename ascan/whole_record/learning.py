"""Learning what the records of a probe look like from readings on known steps, all at once.

Two pulses, the surface echo's and the wall's, are sought as linear filters together with what
distance does to them, while every reading keeps its own time zero, heights and baseline. One
Gauss-Newton step solves for all of it: what belongs to one reading is projected out of it first.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.fft import next_fast_len

from ascan.arrays import AnyArray, FloatArray, IntArray
from ascan.whole_record.fit import WAVES, baseline_waves
from ascan.whole_record.operator import ATTENUATION_POWER, NEPER_PER_DB, Operator
from ascan.whole_record.pulse import HIGHEST, PulseBasis

ROUNDS, SETTLED = 40, 3e-6
MOST_ECHOES = 48
# What is known of the operator before any step is read, as standard uncertainties: slowness as a
# share, turn in periods, attenuation in dB/mm, radius as a share.
PRIOR_SLOWNESS, PRIOR_TURN, PRIOR_ATTENUATION, PRIOR_RADIUS = 0.03, 0.03, 0.03, 0.1
# A value whose uncertainty the steps leave so much of is not learned.
UNLEARNED = 0.8
# Directions that the readings leave free (a pulse's height, its time zero) are left where they are.
FREE = 1e-11


@dataclass(frozen=True, eq=False, slots=True)
class StepRecords:
    """Readings on known steps, cut to windows round surface echo and train.

    Attributes
    ----------
    samples, weight : ndarray, shape (n, width)
        In codes from zero; 0 where a sample does not count (clipped, past the window).
    known_mm : ndarray, shape (n,)
    step : ndarray, shape (n,)
        Number of the step each reading stands on.
    u_step_mm : ndarray, shape (steps,)
        Standard uncertainty of the steps' thickness.
    usual : ndarray, shape (n,)
        Place of a usual surface echo in each window, in samples.
    """

    samples: FloatArray
    weight: FloatArray
    known_mm: FloatArray
    step: IntArray
    u_step_mm: FloatArray
    usual: FloatArray


@dataclass(eq=False, slots=True)
class Estimate:
    """Where the fit stands: operator, pulses, and each reading's own values."""

    operator: Operator
    front: FloatArray
    wall: FloatArray
    place: FloatArray
    heights: list[FloatArray]
    thickness_mm: FloatArray
    noise: FloatArray
    echoes: list[int] = field(default_factory=list)


@dataclass(frozen=True, eq=False, slots=True)
class Learned:
    """What was learned: the estimate, and the covariance of all that readings share.

    ``covariance`` is of (front coefficients, wall coefficients, operator's four values);
    ``without_step`` holds, for each step, by how much they would change without it, and their
    covariance then.
    """

    estimate: Estimate
    covariance: FloatArray
    unlearned: list[str]
    without_step: list[tuple[FloatArray, FloatArray]]


@dataclass(frozen=True, eq=False, slots=True)
class Frequencies:
    """The transform that models are made by: only bins that carry the pulse are kept."""

    basis: PulseBasis
    width: int
    transform: int = field(init=False)
    mhz: FloatArray = field(init=False)
    turning: AnyArray = field(init=False)
    functions: AnyArray = field(init=False)
    waves: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        transform = next_fast_len(self.width + 2 * self.basis.size, real=True)
        object.__setattr__(self, "waves", baseline_waves(self.width).astype(np.float64))
        mhz = np.fft.rfftfreq(transform, 1.0 / self.basis.sample_rate_mhz)
        kept = int(np.searchsorted(mhz, 1.5 * HIGHEST * self.basis.frequency_mhz))
        object.__setattr__(self, "transform", transform)
        object.__setattr__(self, "mhz", mhz[:kept])
        object.__setattr__(self, "turning", 2.0 * np.pi * np.fft.rfftfreq(transform)[:kept])
        spectra = self.basis.spectra(self.basis.functions, transform)
        object.__setattr__(self, "functions", spectra[:, :kept])

    def back(self, spectrum: AnyArray) -> FloatArray:
        """Return the samples of the window."""
        return np.fft.irfft(spectrum, self.transform)[..., : self.width]


@dataclass(frozen=True, eq=False, slots=True)
class Columns:
    """A reading's model and how it follows everything.

    Attributes
    ----------
    model : ndarray, shape (width,)
    own : ndarray, shape (own, width)
        By place (in samples), heights of surface and wall echoes, baseline.
    shared : ndarray, shape (2 functions + 4, width)
        By both pulses' coefficients and the operator's values.
    """

    model: FloatArray
    own: FloatArray
    shared: FloatArray


@dataclass(frozen=True, eq=False, slots=True)
class Arrivals:
    """Spectra of a reading's echoes, the surface's first: what distance does, and the echoes."""

    crossed_mm: FloatArray
    spread: AnyArray
    arrivals: AnyArray
    echoes: AnyArray


def arrivals_of(
    frequencies: Frequencies,
    estimate: Estimate,
    place: float,
    thickness_mm: float,
    count: int,
    usual: float,
) -> Arrivals:
    """Return surface echo and ``count`` wall echoes, of height 1."""
    operator, rate = estimate.operator, frequencies.basis.sample_rate_mhz
    number = np.arange(1, count + 1)
    late_mm = (place - usual) / rate * operator.mm_per_late_us
    crossed = np.concatenate([[0.0], number * thickness_mm]) + late_mm
    spread = operator.response(frequencies.mhz, crossed)
    spacing = thickness_mm * operator.slowness_us_per_mm * rate
    later = np.concatenate([[0.0], number * spacing + (number - 1) * operator.turn_us * rate])
    arrivals = spread * np.exp(-1j * np.outer(place + later, frequencies.turning))
    pulses = np.stack([estimate.front, estimate.wall]) @ frequencies.functions
    echoes = arrivals * pulses[np.minimum(np.arange(count + 1), 1)]
    return Arrivals(crossed, spread, arrivals, echoes)


def columns_of(
    frequencies: Frequencies,
    estimate: Estimate,
    place: float,
    thickness_mm: float,
    heights: FloatArray,
    usual: float,
) -> Columns:
    """Return a reading's model and its derivatives; ``heights`` are of surface and wall echoes."""
    operator, rate = estimate.operator, frequencies.basis.sample_rate_mhz
    w, number = frequencies.turning, np.arange(1, heights.size)[:, None]
    found = arrivals_of(frequencies, estimate, place, thickness_mm, heights.size - 1, usual)
    crossed, spread, arrivals = found.crossed_mm, found.spread, found.arrivals
    arrivals_front, arrivals_wall = found.echoes[0], found.echoes[1:]
    sized_front, sized_wall = heights[0] * arrivals_front, heights[1:, None] * arrivals_wall
    whole = sized_front + sized_wall.sum(axis=0)
    late = -1j * w
    own = [late * whole, arrivals_front, *arrivals_wall]
    by_slowness = late * rate * thickness_mm * (number * sized_wall).sum(axis=0)
    by_turn = late * rate * ((number - 1) * sized_wall).sum(axis=0)
    relative = (frequencies.mhz / operator.frequency_mhz) ** ATTENUATION_POWER
    lost = -NEPER_PER_DB * 2.0 * relative * crossed[:, None]
    by_loss = lost[0] * sized_front + (lost[1:] * sized_wall).sum(axis=0)
    by_radius = np.zeros_like(by_loss)
    if operator.radius_mm > 0.0:
        wider = replace(operator, radius_mm=operator.radius_mm * np.exp(1e-4))
        change = (wider.response(frequencies.mhz, crossed) / spread - 1.0) / 1e-4
        by_radius = change[0] * sized_front + (change[1:] * sized_wall).sum(axis=0)
    summed = (heights[1:, None] * arrivals[1:]).sum(axis=0)
    shared = np.concatenate(
        [
            heights[0] * arrivals[0] * frequencies.functions,
            summed * frequencies.functions,
            np.stack([by_slowness, by_turn, by_loss, by_radius]),
        ]
    )
    times = frequencies.back(np.concatenate([whole[None], np.stack(own), shared]))
    count = len(own)
    return Columns(
        model=times[0],
        own=np.concatenate([times[1 : 1 + count], frequencies.waves]),
        shared=times[1 + count :],
    )


def _end_windows(estimate: Estimate, basis: PulseBasis, records: StepRecords) -> StepRecords:
    """Count the wall echoes of each reading, and end its window before one that is cut.

    Of an echo cut at its beginning nothing is learned, but its height would go wild.
    """
    period = basis.sample_rate_mhz / basis.frequency_mhz
    weight = records.weight.copy()
    estimate.echoes = []
    for row, place in enumerate(estimate.place):
        spacing = estimate.thickness_mm[row] * estimate.operator.slowness_us_per_mm
        spacing *= basis.sample_rate_mhz
        end = np.flatnonzero(weight[row])[-1] + 1
        count = min(max(int((end - period - place) / spacing), 1), MOST_ECHOES)
        estimate.echoes.append(count)
        weight[row, max(int(place + (count + 1) * spacing) - basis.before, 0) :] = 0.0
    return replace(records, weight=weight)


def _solve_heights(frequencies: Frequencies, estimate: Estimate, records: StepRecords) -> float:
    """Set all heights by least squares and the noise by what is left; return its energy."""
    total = 0.0
    for row in range(len(records.known_mm)):
        count = estimate.echoes[row]
        found = arrivals_of(
            frequencies,
            estimate,
            estimate.place[row],
            estimate.thickness_mm[row],
            count,
            float(records.usual[row]),
        )
        weight = records.weight[row]
        own = np.concatenate([frequencies.back(found.echoes), frequencies.waves])
        linear = (own * weight).T
        solved = np.linalg.lstsq(linear, records.samples[row] * weight, rcond=1e-7)[0]
        estimate.heights[row] = solved[: count + 1]
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
    energy: float
    own: list[FloatArray]


def _normal(frequencies: Frequencies, estimate: Estimate, records: StepRecords) -> Normal:
    functions = len(frequencies.functions)
    steps = records.u_step_mm.size
    shared = 2 * functions + 4
    size = shared + steps
    normal = Normal(np.zeros((steps, size, size)), np.zeros((steps, size)), 0.0, [])
    for row in range(len(records.known_mm)):
        place, thickness = estimate.place[row], float(estimate.thickness_mm[row])
        found = columns_of(
            frequencies, estimate, place, thickness, estimate.heights[row], float(records.usual[row])
        )
        weight = records.weight[row] / estimate.noise[row]
        own = (found.own * weight).T
        step = int(records.step[row])
        # A thicker step lengthens the spacing as a slower wall does.
        thicker = found.shared[-4] * estimate.operator.slowness_us_per_mm / thickness
        common = (np.concatenate([found.shared, thicker[None]]) * weight).T
        left = (records.samples[row] - found.model) * weight
        q, r = np.linalg.qr(own)
        along = q.T @ common
        rest = left - q @ (q.T @ left)
        common_rest = common - q @ along
        chosen = np.append(np.arange(shared), shared + step)
        normal.matrix[step][np.ix_(chosen, chosen)] += common_rest.T @ common_rest
        normal.right[step][chosen] += common_rest.T @ rest
        normal.energy += float(rest @ rest)
        normal.own.append(np.linalg.lstsq(r, np.column_stack([q.T @ left, along]), rcond=1e-9)[0])
    return normal


def _priors(estimate: Estimate, start: Operator, records: StepRecords) -> tuple[FloatArray, ...]:
    """Return weights and offsets that stand for what is known beforehand."""
    values, nominal = estimate.operator.values(), start.values()
    sigma = np.array(
        [
            PRIOR_SLOWNESS * nominal[0],
            PRIOR_TURN / start.frequency_mhz,
            PRIOR_ATTENUATION,
            PRIOR_RADIUS,
        ]
    )
    known = np.array(
        [records.known_mm[records.step == k][0] for k in range(records.u_step_mm.size)]
    )
    now = np.array(
        [estimate.thickness_mm[records.step == k][0] for k in range(records.u_step_mm.size)]
    )
    weight = np.concatenate([1.0 / sigma**2, 1.0 / records.u_step_mm**2])
    return weight, np.concatenate([nominal - values, known - now]), sigma


def _solved(matrix: FloatArray, right: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return solution and inverse, left at zero in directions that nothing decides."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    scaled = matrix * np.outer(scale, scale)
    value, vector = np.linalg.eigh(scaled)
    kept = value > FREE * value[-1]
    inverse = (vector[:, kept] / value[kept]) @ vector[:, kept].T * np.outer(scale, scale)
    return inverse @ right, inverse


def learn(
    records: StepRecords,
    frequencies: Frequencies,
    estimate: Estimate,
    *,
    fixed_pulse: bool = False,
) -> Learned:
    """Return what the readings teach, from a start near it.

    Parameters
    ----------
    records : StepRecords
    frequencies : Frequencies
    estimate : Estimate
        The start; it is moved.
    fixed_pulse : bool
        Whether the pulses stay as they are.
    """
    start = estimate.operator
    free = _free(records, frequencies, estimate, fixed_pulse)
    improve(records, frequencies, estimate, free)
    records = _end_windows(estimate, frequencies.basis, records)
    return _finished(frequencies, estimate, records, start, free)


def _free(
    records: StepRecords, frequencies: Frequencies, estimate: Estimate, fixed_pulse: bool
) -> AnyArray:
    """Return which of the shared values are sought."""
    pulses = 2 * len(frequencies.functions)
    free = np.ones(pulses + 4 + records.u_step_mm.size, bool)
    free[:pulses] = not fixed_pulse
    free[pulses + 3] = estimate.operator.radius_mm > 0.0
    return free


def improve(
    records: StepRecords,
    frequencies: Frequencies,
    estimate: Estimate,
    free: AnyArray | None = None,
    rounds: int = ROUNDS,
) -> float:
    """Move an estimate by Gauss-Newton steps; return the energy that is left."""
    start = estimate.operator
    functions = len(frequencies.functions)
    if free is None:
        free = _free(records, frequencies, estimate, False)
    records = _end_windows(estimate, frequencies.basis, records)
    _solve_heights(frequencies, estimate, records)
    last = np.inf
    damping = 1e-3
    for _ in range(rounds):
        normal = _normal(frequencies, estimate, records)
        weight, offset, _ = _priors(estimate, start, records)
        matrix, right = normal.matrix.sum(axis=0), normal.right.sum(axis=0)
        matrix[2 * functions :, 2 * functions :] += np.diag(weight)
        right[2 * functions :] += weight * offset
        damped = matrix + np.diag(damping * np.diag(matrix))
        step = np.zeros(free.size)
        step[free] = _solved(damped[np.ix_(free, free)], right[free])[0]
        kept = replace_arrays(estimate)
        _move(estimate, step, normal, functions, records)
        left = _solve_heights(frequencies, estimate, records)
        if left > last * (1.0 + 1e-9):
            _restore(estimate, kept)
            damping = min(damping * 10.0, 1e3)
            if damping >= 1e3:
                break
            continue
        settled = last - left < SETTLED * left
        last, damping = left, max(damping * 0.1, 1e-5)
        _normalise(estimate, frequencies, records)
        if settled:
            break
    return last


def replace_arrays(estimate: Estimate) -> Estimate:
    """Return a copy that later moves do not touch."""
    return Estimate(
        estimate.operator,
        estimate.front.copy(),
        estimate.wall.copy(),
        estimate.place.copy(),
        [height.copy() for height in estimate.heights],
        estimate.thickness_mm.copy(),
        estimate.noise.copy(),
        list(estimate.echoes),
    )


def _restore(estimate: Estimate, kept: Estimate) -> None:
    for name in Estimate.__slots__:
        setattr(estimate, name, getattr(kept, name))


def _move(
    estimate: Estimate, step: FloatArray, normal: Normal, functions: int, records: StepRecords
) -> None:
    """Move pulses, operator and steps by a step, and each reading's place by what follows."""
    shared = 2 * functions + 4
    estimate.front = estimate.front + step[:functions]
    estimate.wall = estimate.wall + step[functions : 2 * functions]
    values = estimate.operator.values() + step[2 * functions : shared]
    estimate.operator = estimate.operator.with_values(values)
    estimate.thickness_mm = estimate.thickness_mm + step[shared:][records.step]
    for row, own in enumerate(normal.own):
        chosen = np.append(np.arange(shared), shared + int(records.step[row]))
        estimate.place[row] += own[0, 0] - own[0, 1:] @ step[chosen]


def _normalise(estimate: Estimate, frequencies: Frequencies, records: StepRecords) -> None:
    """Give both pulses height 1, so that heights are codes."""
    for name, where in (("front", slice(0, 1)), ("wall", slice(1, None))):
        pulse = getattr(estimate, name)
        size = np.abs(pulse @ frequencies.basis.functions).max()
        setattr(estimate, name, pulse / size)
        for heights in estimate.heights:
            heights[where] *= size


def _finished(
    frequencies: Frequencies,
    estimate: Estimate,
    records: StepRecords,
    start: Operator,
    free: AnyArray,
) -> Learned:
    """Return the estimate with its covariance, and what leaving each step out would change."""
    functions = len(frequencies.functions)
    shared = 2 * functions + 4
    estimate.noise = estimate.noise * _colour(frequencies, estimate, records)
    normal = _normal(frequencies, estimate, records)
    weight, offset, sigma = _priors(estimate, start, records)
    prior = np.zeros(shared + records.u_step_mm.size)
    prior[2 * functions :] = weight
    matrix = normal.matrix.sum(axis=0) + np.diag(prior)
    inverse = np.zeros_like(matrix)
    inverse[np.ix_(free, free)] = _solved(matrix[np.ix_(free, free)], np.zeros(free.sum()))[1]
    without = []
    pulled = np.zeros(prior.size)
    pulled[2 * functions :] = weight * offset
    for k in range(records.u_step_mm.size):
        others = matrix - normal.matrix[k]
        change = np.zeros(free.size)
        right = normal.right.sum(axis=0) - normal.right[k] + pulled
        # Without the step its own thickness is what was certified, and says nothing.
        change[free], found = _solved(others[np.ix_(free, free)], right[free])
        kept = np.zeros_like(inverse)
        kept[np.ix_(free, free)] = found
        without.append((change[:shared], kept[:shared, :shared]))
    names = ("velocity", "turn", "attenuation", "element radius")
    spread = np.sqrt(np.diag(inverse)[2 * functions : shared])
    unlearned = [
        name
        for k, name in enumerate(names)
        if free[2 * functions + k] and spread[k] > UNLEARNED * sigma[k]
    ]
    return Learned(estimate, inverse[:shared, :shared], unlearned, without)


def _colour(frequencies: Frequencies, estimate: Estimate, records: StepRecords) -> float:
    """Return by how much more noise there is in the pulse's band than white noise would put there."""
    power, number = 0.0, 0.0
    for row in range(len(records.known_mm)):
        found = columns_of(
            frequencies,
            estimate,
            estimate.place[row],
            estimate.thickness_mm[row],
            estimate.heights[row],
            float(records.usual[row]),
        )
        weight = records.weight[row]
        left = (records.samples[row] - found.model) * weight
        own = (found.own[-WAVES:] * weight).T
        left = left - own @ np.linalg.lstsq(own, left, rcond=1e-7)[0]
        spectrum = np.abs(np.fft.rfft(left, frequencies.transform)[: frequencies.mhz.size]) ** 2
        pulse = np.abs(estimate.wall @ frequencies.functions) ** 2
        power += float(spectrum @ pulse / pulse.sum()) / float(left @ left)
        number += 1.0
    return float(np.sqrt(max(power / number, 1.0)))
