"""Learning the model of whole records from readings on steps, and what it is good for."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np

from ascan.base.errors import calibration_fault as fault
from ascan.base.flags import is_fatal
from ascan.calibration.line import fit_line
from ascan.engine.binding import bind
from ascan.engine.blocks import readings_of
from ascan.kernels.arrays import AnyArray, BoolArray, FloatArray
from ascan.learning.known import Known
from ascan.learning.layered_model import _finished
from ascan.learning.left_out import RecordFit
from ascan.learning.second_trips import learn_second_trip, second_trips
from ascan.learning.windows import Picked, aligned, step_samples
from ascan.procedure.written import Procedure
from ascan.results.readings import gate_column
from ascan.steps.models import LayeredModel
from ascan.whole_record.frequencies import Frequencies
from ascan.whole_record.layered import LayeredFamily
from ascan.whole_record.learning import fit_pulses, improve, learn
from ascan.whole_record.operator import Operator
from ascan.whole_record.pulse import PulseBasis
from ascan.whole_record.repeats import begins
from ascan.whole_record.step_records import Estimate, Family, Learned, StepRecords, Windows

# The nominal velocity may be off by so much; starts so far apart are tried, for some rounds each.
STARTS, START_ROUNDS = (0.0, -0.012, 0.012), 4
# What is learned is begun anew with its pulses, so often at most, while less than so much is left.
MOST_TURNS, WORTH = 6, 0.97
# A reading that leaves so many times what the others do is no clean record of its step.
ODD = 2.5


def learn_records(known: Known, procedure: Procedure) -> RecordFit:
    """Return the model of whole records that readings on steps teach.

    Raises
    ------
    AscanError
        No interface echo was found, or readings on one step only.
    """
    scan = known.scan
    columns = readings_of(bind(procedure, scan.recording), scan).columns
    surface = procedure.layout.interface
    picked_us = columns[gate_column(surface, "time_us")]
    used = np.isfinite(picked_us) & ~is_fatal(columns[gate_column(surface, "flags")])
    if np.unique(known.ids[used]).size < 2:
        raise fault(
            "calibration",
            "has an interface echo on fewer than two steps",
            allowed="two steps or more; four teach what a whole record looks like",
            remedy="mend the interface gate, or read more steps",
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
    """Cut windows from a pulse ahead of the interface echo to where its path repeats itself."""
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


def _start(windows: Windows, operator: Operator, place: FloatArray) -> Estimate:
    """Return a start: mean interface echo, and what comes one spacing after it, on thick steps."""
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
