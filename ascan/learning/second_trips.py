"""Learning on the steps how a path repeats itself: the filter that makes its second trip.

Trip by trip it is told what the record holds besides, and each record's own gain and beginning.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.checks.record_residual import MOST_LEFT, MOST_LEFT_SHARE
from ascan.kernels.arrays import FloatArray
from ascan.waveform.scan import Scan
from ascan.whole_record.frequencies import Frequencies
from ascan.whole_record.layered import MOST_ECHOES, LayeredFamily
from ascan.whole_record.pulse import PulseBasis
from ascan.whole_record.repeats import begins, filter_of, first_trip, laid, told_by, twice
from ascan.whole_record.step_records import Learned, Windows

# Echoes below this part of their height are none in a second trip; when each record's pulse left is
# settled in so many rounds.
LEAST_HEARD, SHIFT_ROUNDS = 0.01, 4


@dataclass(frozen=True, eq=False, slots=True)
class SecondTrip:
    """What a record of a step says of its path's second trip.

    Attributes
    ----------
    samples : ndarray, shape (n,)
        From sample ``begin`` of the record on.
    first : ndarray, shape (begin,)
        The first trip.
    own : ndarray, shape (columns, n)
        What there is besides: the rest of the train, and a baseline.
    emitted, least, thickness_mm : float
        Sample at which the pulse left; what may be left at least; the step.
    """

    samples: FloatArray
    begin: int
    first: FloatArray
    own: FloatArray
    emitted: float
    least: float
    thickness_mm: float


def second_trips(
    scan: Scan,
    delay_us: float,
    basis: PulseBasis,
    learned: Learned,
    windows: Windows,
) -> tuple[list[SecondTrip], int]:
    """Return the second trips that are heard whole enough, and how wide windows hold them."""
    rows = windows.rows
    estimate, rate, recording = learned.estimate, basis.sample_rate_mhz, scan.recording
    clips = (float(recording.clip_low), float(recording.clip_high))
    place = windows.begin + estimate.place
    emitted = (delay_us - scan.start_time_us[rows]) * rate
    second = begins(place, emitted, 1, basis.before)
    third = np.minimum(begins(place, emitted, 2, basis.before), scan.shape[1])
    wide = Frequencies(basis, max(int((third - windows.begin).max()), windows.frequencies.width))
    family = LayeredFamily(wide, learned.family.nominal)
    trips = []
    for k in np.flatnonzero(third - second > 2 * basis.before):
        begin, own = int(windows.begin[k]), slice(int(second[k]), int(third[k]))
        record = scan.rows.read_block(int(rows[k]), int(rows[k]) + 1)[0].astype(np.float64)
        first = first_trip(record, recording.zero_code, clips, begin, own.start)
        beyond = record[own]
        if first is None or np.any((beyond <= clips[0]) | (beyond >= clips[1])):
            continue
        thickness = float(estimate.thickness_mm[k])
        spacing = thickness * estimate.operator.slowness_us_per_mm * rate
        count = min(int((third[k] - place[k]) / spacing) + 1, MOST_ECHOES)
        usual = float(windows.records.usual[k])
        echoes = family.arrivals_of(estimate, float(estimate.place[k]), thickness, count, usual)
        columns = np.concatenate([wide.back(echoes.echoes), wide.waves])
        columns = columns[:, own.start - begin : own.stop - begin]
        columns = columns[np.abs(columns).max(axis=1) > LEAST_HEARD]
        least = MOST_LEFT_SHARE / MOST_LEFT * abs(estimate.heights[k][1])
        trips.append(
            SecondTrip(
                beyond - recording.zero_code,
                own.start,
                first,
                columns,
                float(emitted[k]),
                max(float(estimate.noise[k]), float(least)),
                thickness,
            )
        )
    return trips, wide.width


def learn_second_trip(trips: list[SecondTrip], taps: int) -> FloatArray:
    """Return the filter of the path's second trip; empty where the trips do not teach it."""
    none = np.empty(0)
    if np.unique([trip.thickness_mm for trip in trips]).size < 2:
        return none
    shift, size = np.zeros(len(trips)), np.ones(len(trips))
    for _ in range(SHIFT_ROUNDS):
        systems = []
        for trip, late, high in zip(trips, shift, size, strict=True):
            begin, end = trip.begin, trip.begin + trip.samples.size
            again = twice(trip.first, trip.emitted + late, end + taps)
            systems.append((trip.samples, high * laid(again, taps, begin, end), trip.own))
        found, left = filter_of(systems)
        told = np.array([told_by(y, moved @ found, own) for y, moved, own in systems])
        if not told[:, 0].all():
            return none
        size, shift = size * told[:, 0], shift + told[:, 1]
        size, shift = size / np.mean(size), shift - np.mean(shift)
    heard = [np.sqrt(np.mean((moved @ found) ** 2)) for _, moved, _ in systems]
    least = np.array([trip.least for trip in trips])
    if np.median(left / least) > MOST_LEFT or np.median(heard / left) < 1.0:
        return none
    return found
