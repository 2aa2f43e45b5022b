"""The whole record as one model, bound to a calibration and a recording."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from ascan.base.flags import Flag, is_fatal
from ascan.kernels.arrays import AnyArray, Columns, FlagArray, FloatArray
from ascan.steps.models import LayeredModel
from ascan.waveform.recording import Recording
from ascan.whole_record.bank import PLACES, Bank, lay, make_bank
from ascan.whole_record.layered_evidence import Evidence
from ascan.whole_record.layered_fit import Model
from ascan.whole_record.layered_records import Place, fit_records
from ascan.whole_record.operator import Operator
from ascan.whole_record.repeats import begins, first_trip, second_trip, told_by
from ascan.whole_record.search import THINNEST, Comb, make_comb
from ascan.whole_record.window import Records

# A longer record is cut: what comes later adds next to nothing.
LONGEST_US = 60.0
# The path may be shorter than usual by so much wall of equal spreading.
SHORTER_MM = 4.0
# The search lays the wall's pulse as it is after so much wall.
USUAL_MM = 5.0
# What speaks against fits: sets flags; may add to what the fits say of themselves.
Judge = Callable[[Columns, FlagArray], None]
# A wall's echo is whole ahead of a repeat that begins so many periods after it; where one of these
# flags stands, what was found there may be none.
WHOLE_PERIODS, FEW = 1.5, np.uint32(Flag.WEAK_ECHO | Flag.LOW_SNR | Flag.NO_ECHO)
# So many times a wall is sought in a record that is freed of the path's second trip ever better.
FREEINGS = 3


class ToFit(NamedTuple):
    """Records to fit.

    Attributes
    ----------
    block : ndarray, shape (n, samples), stored type
    start_time_us, picked_us, noise : ndarray, shape (n,)
        Time of sample 0, of the interface echo as its gate picked it, and the noise in codes.
    """

    block: AnyArray
    start_time_us: FloatArray
    picked_us: FloatArray
    noise: FloatArray

    def chosen(self, rows: AnyArray | slice) -> ToFit:
        """Return some of them."""
        return ToFit(*(each[rows] for each in self))


class Trips(NamedTuple):
    """When the pulse left, and where the first, second and third trip begin, in samples."""

    emitted: float
    first: int
    second: int
    third: int


@dataclass(frozen=True, eq=False, slots=True)
class RecordStage:
    """Fits whole records; immutable, thread-safe.

    Attributes
    ----------
    model : LayeredModel
    velocity_mm_per_us : float
        Of the wall, from the calibration.
    recording : Recording
    frequency_mhz : float
        Of the probe.
    delay_us : float
        When the pulse leaves the probe.
    most_mm : float
        Thickest wall that is sought.
    stop_us : float
        How long after the interface echo a wall's may come; with a repeat ahead of it, the repeat
        is taken off, where that was learned.
    """

    model: LayeredModel
    velocity_mm_per_us: float
    recording: Recording
    frequency_mhz: float
    delay_us: float
    most_mm: float
    stop_us: float = 0.0
    operator: Operator = field(init=False)
    banks: tuple[Bank, Bank] = field(init=False)
    comb: Comb = field(init=False)

    def __post_init__(self) -> None:
        model, rate = self.model, self.recording.sample_rate_mhz
        operator = operator_of(model, self.velocity_mm_per_us, self.frequency_mhz)
        span = (-SHORTER_MM, 0.5 * self.velocity_mm_per_us * LONGEST_US)
        banks = (
            make_bank(model.interface_pulse, operator, rate, span),
            make_bank(model.wall_pulse, operator, rate, span),
        )
        period = rate / self.frequency_mhz
        most = max(operator.slowness_us_per_mm * self.most_mm * rate, 2.0 * period)
        surface, middle = np.searchsorted(banks[0].depths_mm, [0.0, USUAL_MM])
        comb = make_comb(
            banks[0].shapes[surface, PLACES // 2, 0],
            banks[1].shapes[middle, PLACES // 2, 0],
            model.wall_levels,
            (THINNEST * period, most),
            operator.turn_us * rate,
        )
        object.__setattr__(self, "operator", operator)
        object.__setattr__(self, "banks", banks)
        object.__setattr__(self, "comb", comb)

    def run(self, given: ToFit, flags: FlagArray, judge: Judge) -> Columns:
        """Return what the fits of a block say of themselves.

        Parameters
        ----------
        given : ToFit
        flags : ndarray, shape (n,)
        judge : callable
            What speaks against fits.
        """
        guess_us = given.picked_us + self.model.lag_us
        later_us = self.repeat_us(given, guess_us)
        before, trips = flags.copy(), np.ones(len(given.block))
        found = self._fitted(given, guess_us, trips, flags)
        judge(found, flags)
        # Ahead of the repeat nothing need be taken off.
        ahead = found["interval_us"] + WHOLE_PERIODS / self.frequency_mhz <= later_us
        behind = ~ahead | (flags & FEW != 0)
        can_be_taken_off = bool(self.model.second_trip.size)
        behind &= (later_us < self.stop_us) & ~is_fatal(before) & can_be_taken_off
        rows = np.flatnonzero(behind)
        if rows.size:
            own = before[rows]
            again, trips[rows] = self._fitted_behind(given.chosen(rows), guess_us[rows], own, judge)
            for name, values in again.items():
                found[name][rows] = values
            flags[rows] = own
        found["repeat_us"] = later_us
        found["freed_us"] = np.where(trips > 1.0, guess_us - self.delay_us, np.inf)
        found["unfreed_us"] = self.repeat_us(given, guess_us, trips)
        return found

    def _fitted_behind(
        self, given: ToFit, guess_us: FloatArray, flags: FlagArray, judge: Judge
    ) -> tuple[Columns, FloatArray]:
        """Return what fits say that the path's second trip was taken off for, and their trips."""
        spacing = np.full(len(given.block), np.nan)
        for _ in range(FREEINGS):
            # Once the wall is known well enough, the repeat itself says how it is to be freed.
            block, freed = self._freed(given, guess_us, spacing)
            trips, own = 1.0 + freed, flags.copy()
            found = self._fitted(given._replace(block=block), guess_us, trips, own)
            spacing = found["spacing"]
        judge(found, own)
        flags[:] = own
        return found, trips

    def _fitted(
        self, given: ToFit, guess_us: FloatArray, trips: FloatArray, flags: FlagArray
    ) -> Columns:
        """Return what fits say where so many trips of the path are modelled."""
        model, rate, count = self.model, self.recording.sample_rate_mhz, len(given.block)
        start_us, recording = given.start_time_us, self.recording
        # Where the pulse has run the path once more, its repeats begin.
        repeat_us = guess_us + trips * (guess_us - self.delay_us) - start_us
        ends = np.nan_to_num(repeat_us * rate, nan=0.0, posinf=1e9).astype(np.int64)
        evidence = Evidence(*(np.empty(count) for _ in Evidence._fields))
        records = Records(
            given.block,
            float(recording.zero_code),
            (float(recording.clip_low), float(recording.clip_high)),
            min(int(LONGEST_US * rate), given.block.shape[1]),
        )
        places = Place(
            front=(guess_us - start_us) * rate,
            usual=(model.usual_us - start_us) * rate,
            ends=ends - model.zero_index,
            noise=given.noise,
        )
        fit_records(records, places, self._model(), self.comb, evidence, flags)
        return self._told(evidence, given.noise)

    def _model(self) -> Model:
        """Return what the fits take."""
        model, rate, operator = self.model, self.recording.sample_rate_mhz, self.operator
        front, wall = self.banks
        return Model(
            front=front.shapes,
            wall=wall.shapes,
            scale=(front.least_mm, front.step),
            before=model.zero_index,
            turn=operator.turn_us * rate,
            per_sample=0.5 * self.velocity_mm_per_us / rate,
            per_late=operator.mm_per_late_us / rate,
            decay=model.decay,
            growth=model.growth,
            period=rate / self.frequency_mhz,
            strength=model.strength,
            scatter=model.interface_scatter,
        )

    def _told(self, fits: Evidence, noise: FloatArray) -> Columns:
        """Return what fits say of themselves, in µs and mm."""
        rate, count = self.recording.sample_rate_mhz, fits.left.size
        relative = np.abs(fits.wall) / (self.model.strength * np.abs(fits.front))
        return {
            "spacing": fits.spacing,
            "interval_us": fits.spacing / rate,
            "u_interval_us": fits.u_spacing / rate,
            "left": fits.left,
            "residual_rms": fits.left / self.recording.full_scale,
            "alternative_us": fits.alternative / rate,
            "alternative_odds": fits.odds,
            "shape_residual": fits.shape_residual,
            "snr": fits.top / noise,
            "noise": noise,
            "height": fits.wall,
            "top": np.ones(count),
            "peak": fits.top,
            "usual_left": np.zeros(count),
            "astray": np.full(count, np.nan),
            "relative_amplitude": relative,
            "other": fits.other,
            "by_noise": fits.by_noise,
            "other_us": fits.where / rate,
        }

    def _trips(self, start_us: float, guess_us: float) -> Trips:
        """Return when the pulse left a record's probe, and where its trips begin."""
        rate, before = self.recording.sample_rate_mhz, self.model.zero_index
        emitted, place = (self.delay_us - start_us) * rate, (guess_us - start_us) * rate
        begin = max(int(place) - before - before // 2, 0)
        second, third = (int(begins(place, emitted, n, before)) for n in (1, 2))
        return Trips(emitted, begin, second, third)

    def _first_trip(self, record: AnyArray, begin: int, second: int) -> FloatArray | None:
        """Return a record's first trip from its first sample on; None where it clips."""
        clips = (float(self.recording.clip_low), float(self.recording.clip_high))
        return first_trip(record, float(self.recording.zero_code), clips, begin, second)

    def _freed(
        self, given: ToFit, guess_us: FloatArray, spacing: FloatArray
    ) -> tuple[AnyArray, AnyArray]:
        """Return records without the path's second trip, and which they are.

        ``spacing`` is of the back-wall echoes that may lie on it, in samples (NaN: not known). A
        sample that clips stays as it is.
        """
        block, start_time_us = given.block, given.start_time_us
        recording = self.recording
        out, freed = block.astype(np.float32), np.zeros(len(block), bool)
        for row in np.flatnonzero(np.isfinite(guess_us)):
            trips = self._trips(start_time_us[row], guess_us[row])
            emitted, begin, second, third = trips
            first = self._first_trip(block[row], begin, second)
            if first is None:
                continue
            beyond = block[row, second:third]
            clipped = (beyond <= recording.clip_low) | (beyond >= recording.clip_high)
            heard = np.where(clipped, 0.0, beyond - float(recording.zero_code))
            end = second + beyond.size
            place = (guess_us[row] - start_time_us[row]) * recording.sample_rate_mhz - second
            own = np.where(clipped, 0.0, self._echoes(place, spacing[row], beyond.size))
            size = 1.0
            for _ in range(2):
                again = second_trip(first, size * self.model.second_trip, emitted, second, end)
                again[clipped] = 0.0
                more, later = told_by(heard, again, own)
                size, emitted = size * more, emitted + later
            again = second_trip(first, size * self.model.second_trip, emitted, second, end)
            out[row, second:third] -= np.where(clipped, 0.0, again)
            freed[row] = True
        return out, freed

    def _echoes(self, place: float, spacing: float, samples: int) -> FloatArray:
        """Return what back-wall echoes a window may hold, and their slopes, and a baseline."""
        bank, before = self.banks[1], self.model.zero_index
        size = bank.shapes.shape[3]
        depth = 0.5 * spacing / self.recording.sample_rate_mhz * self.velocity_mm_per_us
        columns = [np.ones(samples)]
        if not np.isfinite(spacing):
            return np.stack(columns)
        shape, slope = np.empty(size, np.float32), np.empty(size, np.float32)
        for n in range(1, int((samples - place) / spacing) + 1):
            where = place + n * spacing + (n - 1) * self.comb.turn
            whole = int(np.rint(where))
            first = whole - before
            low, high = max(-first, 0), min(size, samples - first)
            if high - low < before:
                continue
            scale = (bank.least_mm, bank.step)
            lay(bank.shapes, scale, n * depth, where - whole, shape, slope)
            for one in (shape, slope):
                column = np.zeros(samples)
                column[first + low : first + high] = one[low:high]
                columns.append(column)
        return np.stack(columns)

    def repeat_us(
        self, given: ToFit, guess_us: FloatArray, trips: FloatArray | float = 1.0
    ) -> FloatArray:
        """Return how long after the interface echo its path repeats it; infinite past the record.

        ``trips`` is how many times over it has run the path by then.
        """
        start_time_us, samples = given.start_time_us, given.block.shape[1]
        later = trips * (guess_us - self.delay_us)
        later = later - self.model.zero_index / self.recording.sample_rate_mhz
        end_us = start_time_us + samples / self.recording.sample_rate_mhz - guess_us
        return np.where(later < end_us, later, np.inf)


def operator_of(model: LayeredModel, velocity_mm_per_us: float, frequency_mhz: float) -> Operator:
    """Return the operator a calibration learned."""
    spreading = model.spreading
    return Operator(
        velocity_mm_per_us=velocity_mm_per_us,
        turn_us=spreading.reflection_delay_us,
        attenuation_db_per_mm=spreading.attenuation_db_per_mm,
        radius_mm=spreading.radius_mm,
        frequency_mhz=frequency_mhz,
        path_mm2_per_us=spreading.path_mm2_per_us,
        path_velocity_mm_per_us=spreading.path_velocity_mm_per_us,
    )
