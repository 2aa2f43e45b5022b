"""Learning the model of whole records from readings on steps, and what it is good for."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.ndimage import maximum_filter1d
from scipy.special import gammaincc

from ascan.base.errors import fault
from ascan.base.flags import is_fatal
from ascan.calibration.line import fit_line
from ascan.engine.binding import bind
from ascan.engine.blocks import readings_of
from ascan.kernels.arrays import AnyArray, BoolArray, FloatArray, IntArray
from ascan.learning.known import Known
from ascan.learning.second_trips import learn_second_trip, second_trips
from ascan.procedure.written import Procedure
from ascan.results.readings import gate_column
from ascan.steps.models import ApertureModel, LayeredModel, Spreading
from ascan.whole_record.frequencies import Frequencies
from ascan.whole_record.layered import LayeredFamily
from ascan.whole_record.layered_fit import ECHOES
from ascan.whole_record.learning import (
    Estimate,
    Family,
    Learned,
    StepRecords,
    Windows,
    fit_pulses,
    improve,
    learn,
    left_of,
)
from ascan.whole_record.operator import Operator
from ascan.whole_record.pulse import PulseBasis, own_stretch
from ascan.whole_record.repeats import begins
from ascan.whole_record.search import NEAR, find_front
from ascan.whole_record.stage import WHOLE_PERIODS
from ascan.whole_record.window import Window, load_rails, load_window

# The nominal velocity may be off by so much; starts so far apart are tried, for some rounds each.
STARTS, START_ROUNDS = (0.0, -0.012, 0.012), 4
# What is learned is begun anew with its pulses, so often at most, while less than so much is left.
MOST_TURNS, WORTH = 6, 0.97
# Surface echoes are aligned by their beginning, as far as so many periods on, in so many rounds.
OPENING_PERIODS, ALIGNING_ROUNDS = 1.5, 4
# A reading that leaves so many times what the others do is no clean record of its step.
ODD = 2.5
NODES = 24
SIGNIFICANT, CERTAIN = 0.05, 0.01


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class RecordFit:
    """What the steps teach about whole records.

    Attributes
    ----------
    model : LayeredModel or ApertureModel
    velocity_mm_per_us, u_velocity_mm_per_us : float
    used : ndarray of bool, shape (rows,)
        Readings that were used.
    lack_of_fit_mm : float
        What steps left out of the fit differ by beyond what block, noise and fit explain.
    p_value : float
        Of their differences.
    unlearned : list of str
        Values that the steps say next to nothing about.
    left : ndarray, shape (rows,)
        What the fit left of each reading, over its first wall echo's height; NaN where not used.
    """

    model: LayeredModel | ApertureModel
    velocity_mm_per_us: float
    u_velocity_mm_per_us: float
    used: BoolArray
    lack_of_fit_mm: float
    p_value: float
    unlearned: list[str]
    left: FloatArray


def learn_records(known: Known, procedure: Procedure) -> RecordFit:
    """Return the model of whole records that readings on steps teach.

    Raises
    ------
    AscanError
        No surface echo was found, or readings on one step only.
    """
    scan = known.scan
    columns = readings_of(bind(procedure, scan.recording), scan).columns
    surface = procedure.layout.interface
    picked_us = columns[gate_column(surface, "time_us")]
    used = np.isfinite(picked_us) & ~is_fatal(columns[gate_column(surface, "flags")])
    if np.unique(known.ids[used]).size < 2:
        raise fault(
            "calibration",
            "has a surface echo on fewer than two steps",
            allowed="two steps or more; four teach what a whole record looks like",
            remedy="mend the surface gate, or read more steps",
        )
    basis = PulseBasis(
        scan.recording.sample_rate_mhz,
        procedure.probe.frequency_mhz,
        0.01 * procedure.probe.bandwidth_percent,
    )
    picked = Picked(known, picked_us, used)
    slowness = _starting_slowness(columns, procedure, known.mm)
    learned, windows = _learned(picked, procedure, basis, slowness)
    clean = without_odd(used, learned.estimate.noise, known)
    if clean.sum() < used.sum():
        picked = replace(picked, used=clean)
        learned, windows = _learned(picked, procedure, basis, slowness)
    trips, wide = second_trips(scan, procedure.probe.delay_us, basis, learned, windows)
    second_trip = learn_second_trip(trips, 2 * basis.before + 1)
    width = wide if second_trip.size else windows.frequencies.width
    found = _finished(basis, learned, windows, picked, width)
    assert isinstance(found.model, LayeredModel)
    return replace(found, model=replace(found.model, second_trip=second_trip))


@dataclass(frozen=True, eq=False, slots=True)
class Picked:
    """Step readings whose interface echo was picked: when, and which of them are used."""

    known: Known
    time_us: FloatArray
    used: BoolArray

    @property
    def rows(self) -> IntArray:
        """Numbers of those that are used."""
        return np.flatnonzero(self.used)


def without_odd(used: BoolArray, noise: FloatArray, known: Known) -> BoolArray:
    """Return the used readings without those that leave far more than others, if no step is lost.

    ``noise`` is what each used reading leaves.
    """
    clean = used.copy()
    clean[np.flatnonzero(used)[noise > ODD * np.median(noise)]] = False
    lost = set(known.ids[used]) - set(known.ids[clean])
    return used if lost else clean


def learn_from_best(family: Family, records: StepRecords, starts: Iterable[Estimate]) -> Learned:
    """Return what readings teach, from the start that some rounds bring furthest.

    The pulses of each are fitted first: from a rough start of long pulses the operator runs away
    with what they lack, into a minimum of its own. Out of one, fitting the pulses alone leads, too.
    """
    trials = []
    for start in starts:
        fit_pulses(family, records, start, START_ROUNDS)
        trials.append((improve(family, records, start, rounds=START_ROUNDS), start))
    best = min(trials, key=lambda trial: trial[0])[1]
    least = improve(family, records, best)
    for _ in range(MOST_TURNS):
        again = best.copy()
        fit_pulses(family, records, again, START_ROUNDS)
        now = improve(family, records, again)
        if now > WORTH * least:
            break
        best, least = again, now
    return learn(family, records, best)


def _starting_slowness(
    columns: Mapping[str, AnyArray], procedure: Procedure, known_mm: FloatArray
) -> float:
    """Return µs per mm there and back by the picks of both gates, where they are plausible."""
    nominal = 2.0 / procedure.material.velocity_mm_per_us
    interval = columns["interval_us"]
    good = np.isfinite(interval) & (columns["flags"] == 0)
    if np.unique(known_mm[good]).size < 2:
        return nominal
    line = fit_line(known_mm[good], interval[good], np.ones(int(good.sum())))
    return line.slope if abs(line.slope / nominal - 1.0) < 0.06 else nominal


def _learned(
    picked: Picked, procedure: Procedure, basis: PulseBasis, slowness: float
) -> tuple[Learned, Windows]:
    """Return what the used readings teach, from the best of several starts."""
    windows, rows = _windows(picked, procedure, basis), picked.rows
    records, start_us = windows.records, picked.known.scan.start_time_us[rows]
    family = LayeredFamily(windows.frequencies, _nominal(procedure, picked.time_us[rows]))
    nominal = 2.0 / procedure.material.velocity_mm_per_us
    place = (picked.time_us[rows] - start_us) * basis.sample_rate_mhz - windows.begin
    place = aligned(records, place, basis)
    starts = [
        _start(windows, replace(family.nominal, velocity_mm_per_us=2.0 / start), place)
        for start in sorted({slowness, *(nominal * (1.0 + share) for share in STARTS)})
    ]
    return learn_from_best(family, records, starts), windows


def _windows(picked: Picked, procedure: Procedure, basis: PulseBasis) -> Windows:
    """Cut windows from a pulse ahead of the surface echo to where its path repeats itself."""
    rate, rows, known = basis.sample_rate_mhz, picked.rows, picked.known
    start_us = known.scan.start_time_us[rows]
    place = (picked.time_us[rows] - start_us) * rate
    begin = np.maximum(np.floor(place).astype(np.int64) - basis.before - basis.before // 2, 0)
    emitted = (procedure.probe.delay_us - start_us) * rate
    ends = np.minimum(begins(place, emitted, 1, basis.before), known.scan.shape[1])
    usual = float(np.median(picked.time_us[rows]))
    place_usual = (usual - start_us) * rate - begin
    records = step_samples(known, rows, (begin, ends), place_usual)
    return Windows(records, Frequencies(basis, records.samples.shape[1]), begin, rows)


def step_samples(
    known: Known, rows: IntArray, window: tuple[IntArray, IntArray], usual: FloatArray
) -> StepRecords:
    """Return some readings cut to windows; clipped samples do not count.

    Parameters
    ----------
    known : Known
    rows : ndarray, shape (n,)
        Their numbers.
    window : pair of ndarray, shape (n,)
        First sample of each, and the one after its last.
    usual : ndarray, shape (n,)
        Where the interface echo usually is, in samples of the window.
    """
    scan, (begin, ends) = known.scan, window
    recording = scan.recording
    clips = (float(recording.clip_low), float(recording.clip_high))
    width = int((ends - begin).max())
    samples, weight = np.zeros((rows.size, width)), np.zeros((rows.size, width))
    for k, row in enumerate(rows):
        record = scan.rows.read_block(int(row), int(row) + 1)[0]
        own = slice(0, int(ends[k] - begin[k]))
        zero, first = float(recording.zero_code), int(begin[k])
        load_window(record, zero, clips, first, Window(samples[k, own], weight[k, own]))
        rails = np.zeros_like(samples[k, own])
        load_rails(record, zero, clips, first, rails)
        samples[k, own] += rails
    steps, step = np.unique(known.ids[rows], return_inverse=True)
    u_step = np.zeros(steps.size)
    np.maximum.at(u_step, step, known.u_mm[rows])
    return StepRecords(samples, weight, known.mm[rows], step, u_step, usual)


def _nominal(procedure: Procedure, picked_us: FloatArray) -> Operator:
    """Return the operator by nominal values."""
    probe = procedure.probe
    spread = procedure.interval.diffraction != "none" and probe.element_diameter_mm is not None
    velocity = probe.path_mm_per_us
    path_us = float(np.median(picked_us)) - probe.delay_us
    return Operator(
        velocity_mm_per_us=procedure.material.velocity_mm_per_us,
        radius_mm=0.5 * (probe.element_diameter_mm or 0.0) if spread else 0.0,
        frequency_mhz=probe.frequency_mhz,
        path_mm2_per_us=max(path_us, 0.0) * velocity**2,
        path_velocity_mm_per_us=velocity,
    )


def aligned(records: StepRecords, place: FloatArray, basis: PulseBasis) -> FloatArray:
    """Return places of surface echoes, moved so that all name the same part of the pulse.

    A pick may name one half-cycle here and the next one there, and no small step leads from one to
    the other. Each echo moves to where it is most like what those have in common that clip least.

    ``place``, shape (n,), says roughly where they are, in samples.
    """
    samples, weight = records.samples * records.weight, records.weight
    rails = records.samples - samples
    period = basis.sample_rate_mhz / basis.frequency_mhz
    reach, before = int(np.ceil(NEAR * period)), basis.before
    after = int(np.ceil(OPENING_PERIODS * period))
    padded = np.pad(records.samples, ((0, 0), (before, after)))
    opening = sliding_window_view(padded, before + after + 1, axis=1)
    rows, found = np.arange(len(place)), place
    clipped = np.count_nonzero(rails, axis=1)
    clean = clipped <= np.median(clipped)
    for _ in range(ALIGNING_ROUNDS):
        cut = opening[rows, np.rint(found).astype(np.int64)][clean]
        cut = cut / np.maximum(np.linalg.norm(cut, axis=1, keepdims=True), 1e-300)
        usual = np.linalg.svd(cut, full_matrices=False)[2][0]
        usual = usual if np.sum(cut @ usual) >= 0.0 else -usual
        found = np.array(
            [
                find_front(Window(y, w), rail, (usual, before), near, reach, True)[0]
                for y, w, rail, near in zip(samples, weight, rails, found, strict=True)
            ]
        )
    return found


def _start(windows: Windows, operator: Operator, place: FloatArray) -> Estimate:
    """Return a start: mean surface echo, and what comes one spacing after it, on thick steps."""
    records, basis = windows.records, windows.frequencies.basis
    spacing = records.known_mm * operator.slowness_us_per_mm * basis.sample_rate_mhz
    thick = records.known_mm >= np.median(records.known_mm)
    front = _mean_pulse(records, place, thick, basis)
    wall = _mean_pulse(records, place + spacing, thick, basis)
    count = len(records.known_mm)
    return Estimate(
        operator,
        np.stack([basis.fitted(front), basis.fitted(wall)]),
        place.copy(),
        [np.zeros(1)] * count,
        records.known_mm.copy(),
        np.ones(count),
    )


def _mean_pulse(
    records: StepRecords, place: FloatArray, chosen: AnyArray, basis: PulseBasis
) -> FloatArray:
    """Return the mean of what lies round places of some readings, to the sample."""
    total = np.zeros(basis.size)
    for row in np.flatnonzero(chosen):
        first = int(np.rint(place[row])) - basis.before
        low, high = max(first, 0), min(first + basis.size, records.samples.shape[1])
        if high > low:
            total[low - first : high - first] += records.samples[row, low:high]
    return np.asarray(total / max(np.abs(total).max(), 1e-300))


def _finished(
    basis: PulseBasis, learned: Learned, windows: Windows, picked: Picked, width: int
) -> RecordFit:
    """Return the part of a calibration that the estimate makes.

    ``width`` is of the windows that readings have.
    """
    estimate, records = learned.estimate, windows.records
    operator, rate = estimate.operator, basis.sample_rate_mhz
    levels, strength, decay = _usual_heights(estimate)
    way = 1.0 if strength >= 0.0 else -1.0
    front = estimate.pulses[0] @ basis.functions
    wall = way * estimate.pulses[1] @ basis.functions
    first, last = own_stretch(np.stack([front, wall]), basis.before, noise_share(learned, basis))
    picked_us = picked.time_us[picked.rows]
    start_us = picked.known.scan.start_time_us[picked.rows]
    place_us = (windows.begin + estimate.place) / rate + start_us
    nodes = np.geomspace(
        0.4 * float(records.known_mm.min()), 1.6 * float(records.known_mm.max()), NODES
    )
    typical = float(np.median([heights[0] for heights in estimate.heights]))
    node_u = _node_uncertainty(learned, windows, nodes, typical, strength, levels, width)
    model = LayeredModel(
        interface_pulse=front[first:last],
        wall_pulse=wall[first:last],
        zero_index=basis.before - first,
        wall_levels=levels,
        strength=abs(strength),
        decay=decay,
        interface_scatter=_interface_scatter(learned, windows),
        usual_us=float(np.median(picked_us)),
        lag_us=float(np.median(place_us - picked_us)),
        spreading=Spreading(
            reflection_delay_us=operator.turn_us,
            attenuation_db_per_mm=operator.attenuation_db_per_mm,
            radius_mm=operator.radius_mm,
            path_mm2_per_us=operator.path_mm2_per_us,
            path_velocity_mm_per_us=operator.path_velocity_mm_per_us,
        ),
        thickness_mm=nodes,
        u_mm=node_u,
    )
    return record_fit(model, learned, windows.records, picked.used)


def record_fit(
    model: LayeredModel | ApertureModel, learned: Learned, records: StepRecords, used: BoolArray
) -> RecordFit:
    """Return a model with the velocity learned beside it, and what left-out steps say of both."""
    velocity, slowness = learned.estimate.operator.velocity_mm_per_us, learned.estimate.pulses.size
    u_slowness = float(np.sqrt(learned.covariance[slowness, slowness]))
    lack, p_value = left_out_steps(learned, records)
    left = np.full(used.size, np.nan)
    left[used] = relative_noise(learned)
    return RecordFit(
        model=model,
        velocity_mm_per_us=velocity,
        u_velocity_mm_per_us=0.5 * velocity**2 * u_slowness,
        used=used,
        lack_of_fit_mm=lack,
        p_value=p_value,
        unlearned=learned.unlearned,
        left=left,
    )


def relative_noise(learned: Learned) -> FloatArray:
    """Return what each reading leaves against the height of its first wall echo."""
    wall = min(learned.estimate.pulses.shape[0] - 1, 1)
    size = np.array([abs(heights[wall]) for heights in learned.estimate.heights])
    return np.asarray(learned.estimate.noise / np.maximum(size, 1e-300))


def _interface_scatter(learned: Learned, windows: Windows) -> float:
    """Return by how much surface echoes leave their pulse, noise apart, as a share of size."""
    estimate, records, basis = learned.estimate, windows.records, windows.frequencies.basis
    period = basis.sample_rate_mhz / basis.frequency_mhz
    size = maximum_filter1d(np.abs(estimate.pulses[0] @ basis.functions), 2 * int(0.5 * period) + 1)
    shares = []
    for row, place in enumerate(estimate.place):
        left = left_of(learned.family, estimate, records, row)
        first = int(np.rint(place)) - basis.before
        inside = np.zeros(left.size)
        low, high = max(first, 0), min(first + size.size, left.size)
        inside[low:high] = size[low - first : high - first]
        counts = records.weight[row] > 0.0
        under = counts & (inside > 0.1)
        beside = counts & (inside < 0.01)
        if under.sum() < 8 or beside.sum() < 8:
            continue
        beyond = np.mean(left[under] ** 2) - np.mean(left[beside] ** 2)
        shares.append(beyond / np.mean((estimate.heights[row][0] * inside[under]) ** 2))
    return float(np.sqrt(max(np.median(shares), 0.0))) if shares else 0.0


def noise_share(learned: Learned, basis: PulseBasis) -> float:
    """Return which part of the wall pulse's energy is noise that was learned with it."""
    functions = basis.functions
    last = learned.estimate.pulses.size
    inner = slice(last - len(functions), last)
    noise = float(np.sum((learned.covariance[inner, inner] @ functions) * functions))
    wall = learned.estimate.pulses[-1] @ functions
    return noise / float(wall @ wall)


def _usual_heights(estimate: Estimate) -> tuple[FloatArray, float, float]:
    """Return usual heights of wall echoes (first: 1), that of the first, and the decay."""
    levels, decay = np.ones(ECHOES), 0.8
    for n in range(1, ECHOES):
        ratios = [
            heights[n + 1] / heights[n] for heights in estimate.heights if heights.size > n + 1
        ]
        if ratios:
            decay = float(np.clip(abs(np.median(ratios)), 0.2, 0.98))
        levels[n] = levels[n - 1] * decay
    strength = float(np.median([heights[1] / heights[0] for heights in estimate.heights]))
    return levels, strength, decay


def follows(own: FloatArray, thicker: FloatArray, weight: FloatArray) -> FloatArray:
    """Return by how much a fitted thickness follows each sample, all own values free beside it."""
    columns = np.concatenate([own, thicker[None]]) * weight
    return np.asarray(np.linalg.pinv(columns.T, rcond=1e-9)[-1] * weight)


def _node_uncertainty(
    learned: Learned,
    windows: Windows,
    nodes: FloatArray,
    typical: float,
    strength: float,
    levels: FloatArray,
    width: int,
) -> FloatArray:
    """Return what the uncertainty of all that was learned does to the thickness of a clean wall."""
    estimate, frequencies = learned.estimate, Frequencies(windows.frequencies.basis, width)
    family = LayeredFamily(frequencies, learned.family.nominal)
    slowness, rate = estimate.operator.slowness_us_per_mm, frequencies.basis.sample_rate_mhz
    usual = float(np.median(windows.records.usual))
    period = rate / frequencies.basis.frequency_mhz
    out = np.empty(nodes.size)
    for k, thickness in enumerate(nodes):
        end = windows.frequencies.width
        # Only a wall that has no room ahead of the repeat is sought in a longer window.
        if usual + thickness * slowness * rate + WHOLE_PERIODS * period > end:
            end = width
        count = int(np.clip((end - period - usual) / (thickness * slowness * rate), 1, ECHOES))
        heights = typical * np.concatenate([[1.0], strength * levels[:count]])
        found = family.columns(estimate, usual, float(thickness), heights, usual)
        weight = np.ones(width)
        weight[min(max(int(usual + (count + 1) * thickness * slowness * rate), 1), end) :] = 0.0
        gain = follows(found.own, found.thicker, weight) @ found.shared.T
        out[k] = np.sqrt(gain @ learned.covariance @ gain)
    return out


def left_out_steps(learned: Learned, records: StepRecords) -> tuple[float, float]:
    """Return by how much steps that the fit does not know differ beyond expectation, and p.

    Each step is left out in turn, the rest solved again (one linear step), and its readings are
    measured with that.
    """
    estimate = learned.estimate
    off, variance = [], []
    for k, (change, covariance) in enumerate(learned.without_step):
        rows = np.flatnonzero(records.step == k)
        apart, gains, noise = [], [], []
        for row in rows:
            place, thickness = float(estimate.place[row]), float(estimate.thickness_mm[row])
            usual = float(records.usual[row])
            found = learned.family.columns(estimate, place, thickness, estimate.heights[row], usual)
            weights = follows(found.own, found.thicker, records.weight[row])
            gain = -weights @ found.shared.T
            residual = (records.samples[row] - found.model) * records.weight[row]
            fitted = thickness + weights @ residual + gain @ change
            apart.append(fitted - records.known_mm[row])
            gains.append(gain)
            noise.append(estimate.noise[row] ** 2 * (weights @ weights))
        gain = np.mean(gains, axis=0)
        off.append(float(np.mean(apart)))
        scatter = np.mean(noise) / rows.size
        variance.append(float(records.u_step_mm[k] ** 2 + scatter + gain @ covariance @ gain))
    square, expected = np.array(off) ** 2, np.array(variance)
    # Steps left out in turn lean on each other: only the worst one is tested, for one of so many.
    p_value = float(min(square.size * gammaincc(0.5, 0.5 * np.max(square / expected)), 1.0))
    if not p_value < SIGNIFICANT:
        return 0.0, p_value
    return float(np.sqrt(max(np.mean(square - expected), 0.0))), p_value
