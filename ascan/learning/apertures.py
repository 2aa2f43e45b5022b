"""Learning the whole records of a dual-element probe from readings on steps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ascan.base.errors import calibration_fault as fault
from ascan.kernels.arrays import BoolArray, FloatArray
from ascan.learning.first_arrivals import ArrivalsLearned
from ascan.learning.known import Known
from ascan.learning.layered_model import NODES, noise_share
from ascan.learning.left_out import RecordFit, follows, record_fit, relative_noise
from ascan.learning.records import learn_from_best, without_odd
from ascan.learning.windows import Picked, step_samples
from ascan.procedure.written import Procedure
from ascan.steps.models import ApertureModel
from ascan.whole_record.aperture import ApertureFamily, ApertureOperator
from ascan.whole_record.frequencies import Frequencies
from ascan.whole_record.pulse import PulseBasis, own_stretch
from ascan.whole_record.step_records import Estimate, Learned, StepRecords, Windows

# What the operator itself leaves, in periods of round trip (own study, dimensions off by as much as
# they may be).
OPERATOR_PERIODS = 5e-4
# The nominal velocity may be off by so much; starts so far apart are tried.
STARTS = (0.0, -0.007, 0.007, -0.014, 0.014)
# A window begins so many periods before the half-cycle the first arrival was timed on, and is so
# long.
AHEAD_PERIODS, LONGEST_US = 5.5, 9.0


def learn_walls(known: Known, procedure: Procedure, found: ArrivalsLearned) -> RecordFit:
    """Return the model of a dual probe's whole records that readings on steps teach.

    Parameters
    ----------
    known : Known
    procedure : Procedure
    found : ArrivalsLearned
        Where their first arrivals are.

    Raises
    ------
    AscanError
        Usable readings on fewer than three steps, or no nominal dimensions of the probe.
    """
    geometry = procedure.probe.geometry()
    if geometry is None:
        raise fault("probe", "gives no dimensions", remedy="give the wedge's and the elements'")
    used = found.usable.copy()
    if np.unique(known.ids[used]).size < 3:
        raise fault(
            "calibration",
            "has a usable reading on fewer than three steps",
            allowed="three steps or more for the whole record of a dual probe; four are advised",
        )
    nominal = ApertureOperator(
        velocity_mm_per_us=procedure.material.velocity_mm_per_us,
        geometry=geometry,
        frequency_mhz=procedure.probe.frequency_mhz,
    )
    picked = Picked(known, found.times.columns["interval_us"], used)
    learned, windows = _learned(picked, procedure, nominal)
    clean = without_odd(used, relative_noise(learned), known)
    if clean.sum() < used.sum():
        picked = replace(picked, used=clean)
        learned, windows = _learned(picked, procedure, nominal)
    return _finished(learned, windows, picked.used)


def _learned(
    picked: Picked, procedure: Procedure, nominal: ApertureOperator
) -> tuple[Learned, Windows]:
    """Return what the used readings teach, from the best of several starts."""
    scan, probe = picked.known.scan, procedure.probe
    rate = scan.recording.sample_rate_mhz
    basis = PulseBasis(rate, probe.frequency_mhz, 0.01 * probe.bandwidth_percent)
    rows = picked.rows
    place = (picked.time_us[rows] - scan.start_time_us[rows]) * rate
    ahead = int(AHEAD_PERIODS * rate / probe.frequency_mhz)
    begin = np.maximum(place.astype(np.int64) - ahead, 0)
    ends = np.minimum(begin + int(LONGEST_US * rate), scan.shape[1])
    zero = (probe.delay_us - scan.start_time_us[rows]) * rate - begin
    records = step_samples(picked.known, rows, (begin, ends), zero)
    family = ApertureFamily(Frequencies(basis, records.samples.shape[1]), nominal)
    velocity = nominal.velocity_mm_per_us
    starts = [
        _start(family, records, replace(nominal, velocity_mm_per_us=velocity * (1.0 + share)))
        for share in STARTS
    ]
    windows = Windows(records, family.frequencies, begin, rows)
    return learn_from_best(family, records, starts), windows


def _start(family: ApertureFamily, records: StepRecords, operator: ApertureOperator) -> Estimate:
    """Return a start: the pulse that explains all readings best if the operator is right."""
    count = len(records.known_mm)
    frequencies = family.frequencies
    estimate = Estimate(
        operator,
        np.zeros((1, len(frequencies.functions))),
        np.zeros(count),
        [np.zeros(1)] * count,
        records.known_mm.copy(),
        np.ones(count),
    )
    windows = family.end_windows(estimate, records)
    linear, wanted = [], []
    for row, thickness in enumerate(records.known_mm):
        heard = family.heard(operator, float(thickness))[: estimate.heights[row].size]
        turned = heard.sum(axis=0) * np.exp(-1j * frequencies.turning * records.usual[row])
        size = np.abs(records.samples[row]).max()
        linear.append((frequencies.back(turned * frequencies.functions) * windows.weight[row]).T)
        wanted.append(records.samples[row] / size * windows.weight[row])
    pulse = np.linalg.lstsq(np.concatenate(linear), np.concatenate(wanted), rcond=1e-6)[0]
    height = np.abs(pulse @ frequencies.basis.functions).max()
    estimate.pulses = pulse[None] / height
    return estimate


def _finished(learned: Learned, windows: Windows, used: BoolArray) -> RecordFit:
    """Return the part of a calibration that the estimate makes."""
    estimate, basis = learned.estimate, windows.frequencies.basis
    # Heights are positive: a pulse that came out upside down is turned over.
    way = 1.0 if np.median([heights[0] for heights in estimate.heights]) >= 0.0 else -1.0
    pulse = way * estimate.pulses[0] @ basis.functions
    first, last = own_stretch(pulse[None], basis.before, noise_share(learned, basis))
    known = windows.records.known_mm
    nodes = np.geomspace(0.5 * float(known.min()), 1.3 * float(known.max()), NODES)
    operator = estimate.operator
    model = ApertureModel(
        pulse=pulse[first:last],
        zero_index=basis.before - first,
        values=operator.values(),
        width_mm=operator.geometry.width_mm,
        length_mm=operator.geometry.length_mm,
        thickness_mm=nodes,
        u_mm=_node_uncertainty(learned, windows, nodes),
    )
    return record_fit(model, learned, windows.records, used)


def _node_uncertainty(learned: Learned, windows: Windows, nodes: FloatArray) -> FloatArray:
    """Return what the uncertainty of all that was learned does to the thickness of a clean wall."""
    estimate, records = learned.estimate, windows.records
    height = float(np.median([heights[0] for heights in estimate.heights]))
    out = np.empty(nodes.size)
    operator, frequencies = estimate.operator, windows.frequencies
    rate = frequencies.basis.sample_rate_mhz
    ahead = AHEAD_PERIODS * rate / frequencies.basis.frequency_mhz
    for k, thickness in enumerate(nodes):
        zero = ahead - operator.least_us(float(thickness)) * rate
        one = StepRecords(
            samples=records.samples[:1],
            weight=np.ones_like(records.weight[:1]),
            known_mm=np.array([thickness]),
            step=np.zeros(1, np.int64),
            u_step_mm=records.u_step_mm[:1],
            usual=np.array([zero]),
        )
        trial = Estimate(
            operator,
            estimate.pulses,
            np.zeros(1),
            [np.zeros(1)],
            np.array([thickness]),
            np.ones(1),
        )
        window = learned.family.end_windows(trial, one)
        heights = np.full(trial.heights[0].size, height)
        found = learned.family.columns(trial, 0.0, float(thickness), heights, zero)
        gain = follows(found.own, found.thicker, window.weight[0]) @ found.shared.T
        out[k] = np.sqrt(gain @ learned.covariance @ gain)
    own = OPERATOR_PERIODS / frequencies.basis.frequency_mhz / operator.slowness_us_per_mm
    return np.asarray(np.hypot(out, own))
