"""The whole record as one model, bound to a calibration and a recording."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from ascan.base.flags import Flag, is_fatal
from ascan.checks.other_echo import USUAL
from ascan.kernels.arrays import AnyArray, Columns, FlagArray, FloatArray
from ascan.steps.models import LayeredModel
from ascan.waveform.recording import Recording
from ascan.whole_record.bank import PLACES, Bank, lay, make_bank
from ascan.whole_record.operator import Operator
from ascan.whole_record.repeats import begins, first_trip, second_trip, told_by
from ascan.whole_record.rivals import RESULTS, fit_records
from ascan.whole_record.search import THINNEST, Comb, make_comb

# A longer record is cut: what comes later adds next to nothing.
LONGEST_US = 60.0
# The path may be shorter than usual by so much wall of equal spreading.
SHORTER_MM = 4.0
# The search lays the wall's pulse as it is after so much wall.
USUAL_MM = 5.0
# A wall's echo is whole ahead of a repeat that begins so many periods after it; where one of these
# flags stands, what was found there may be none.
WHOLE_PERIODS, FEW = 1.5, np.uint32(Flag.WEAK_ECHO | Flag.LOW_SNR | Flag.NO_ECHO)
# So many times a wall is sought in a record that is freed of the path's second trip ever better.
FREEINGS = 3


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
    limits : mapping of str to float
        Of the procedure, by key.
    stop_us : float
        How long after the surface echo a wall's may come; with a repeat ahead of it, the repeat is
        taken off, where that was learned.
    usual_other : float
        What the fit left of the steps' own records as another echo, over the wall's.
    """

    model: LayeredModel
    velocity_mm_per_us: float
    recording: Recording
    frequency_mhz: float
    delay_us: float
    most_mm: float
    limits: Mapping[str, float]
    stop_us: float = 0.0
    usual_other: float = 0.0
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

    @property
    def most_other(self) -> float:
        """What another echo may be of the wall's."""
        return max(self.limits["most_ahead"], USUAL * self.usual_other)

    def run(
        self,
        block: AnyArray,
        start_time_us: FloatArray,
        picked_us: FloatArray,
        noise: FloatArray,
        flags: FlagArray,
    ) -> Columns:
        """Return what the fits of a block give.

        Parameters
        ----------
        block : ndarray, shape (n, samples), stored type
        start_time_us, picked_us, noise : ndarray, shape (n,)
            Time of sample 0, of the surface echo as its gate picked it, and the noise in codes.
        flags : ndarray, shape (n,)
        """
        model, rate = self.model, self.recording.sample_rate_mhz
        guess_us = picked_us + model.lag_us
        later_us = self.repeat_us(guess_us, start_time_us, block.shape[1])
        before, trips = flags.copy(), np.ones(len(block))
        results = self._fitted(block, start_time_us, guess_us, trips, noise, flags)
        # Ahead of the repeat nothing need be taken off.
        ahead = results[:, 0] / rate + WHOLE_PERIODS / self.frequency_mhz <= later_us
        behind = ~ahead | (flags & FEW != 0)
        behind &= (later_us < self.stop_us) & ~is_fatal(before) & bool(model.second_trip.size)
        rows = np.flatnonzero(behind)
        if rows.size:
            own = before[rows]
            results[rows], trips[rows] = self._fitted_behind(
                block[rows], start_time_us[rows], guess_us[rows], noise[rows], own
            )
            flags[rows] = own
        spacing, u, left, rival, odds, misfit, snr, other = results.T
        return {
            "interval_us": spacing / rate,
            "u_interval_us": u / rate,
            "unexplained": left / self.recording.full_scale,
            "rival_us": rival / rate,
            "rival_odds": odds,
            "misfit": misfit,
            "snr": snr,
            "other_share": other,
            "repeat_us": later_us,
            "freed_us": np.where(trips > 1.0, guess_us - self.delay_us, np.inf),
            "unfreed_us": self.repeat_us(guess_us, start_time_us, block.shape[1], trips),
        }

    def _fitted_behind(
        self,
        block: AnyArray,
        start_time_us: FloatArray,
        guess_us: FloatArray,
        noise: FloatArray,
        flags: FlagArray,
    ) -> tuple[FloatArray, FloatArray]:
        """Return what fits give that the path's second trip was taken off for, and their trips."""
        seen = np.full(len(block), np.nan)
        for _ in range(FREEINGS):
            # Once the wall is known well enough, the repeat itself says how it is to be freed.
            given, freed = self._freed(block, start_time_us, guess_us, seen)
            trips, own = 1.0 + freed, flags.copy()
            results = self._fitted(given, start_time_us, guess_us, trips, noise, own)
            seen = results[:, 0]
        flags[:] = own
        return results, trips

    def _fitted(
        self,
        block: AnyArray,
        start_time_us: FloatArray,
        guess_us: FloatArray,
        trips: FloatArray,
        noise: FloatArray,
        flags: FlagArray,
    ) -> FloatArray:
        """Return the results of `fit_records` where so many trips of the path are modelled."""
        model, rate, operator = self.model, self.recording.sample_rate_mhz, self.operator
        # Where the pulse has run the path once more, its repeats begin.
        repeat_us = guess_us + trips * (guess_us - self.delay_us) - start_time_us
        ends = (
            np.nan_to_num(repeat_us * rate, nan=0.0, posinf=1e9).astype(np.int64) - model.zero_index
        )
        results = np.empty((len(block), RESULTS))
        comb = self.comb
        setup = np.array(
            [
                model.zero_index,
                operator.turn_us * rate,
                0.5 * self.velocity_mm_per_us / rate,
                operator.mm_per_late_us / rate,
                0.0,
                model.strength,
                model.interface_scatter,
            ]
        )
        longest = min(int(LONGEST_US * rate), block.shape[1])
        fit_records(
            block,
            float(self.recording.zero_code),
            (float(self.recording.clip_low), float(self.recording.clip_high)),
            (guess_us - start_time_us) * rate,
            ends,
            noise,
            (self.banks[0].shapes, self.banks[1].shapes),
            (self.banks[0].least_mm, self.banks[0].step),
            setup,
            (model.usual_us - start_time_us) * rate,
            rate / self.frequency_mhz,
            model.decay,
            (comb.front, comb.wall, comb.levels, comb.energies),
            (comb.least, comb.turn, comb.front_energy),
            longest,
            (
                self.limits["least_record_odds"],
                self.limits["least_strength"],
                self.limits["most_strength"],
                10.0 ** (self.limits["least_snr_db"] / 20.0),
                self.most_other,
            ),
            results,
            flags,
        )
        return results

    def _trips(self, start_us: float, guess_us: float) -> tuple[float, int, int, int]:
        """Return when the pulse left, and where the first, second and third trip begin, samples."""
        rate, before = self.recording.sample_rate_mhz, self.model.zero_index
        emitted, place = (self.delay_us - start_us) * rate, (guess_us - start_us) * rate
        begin = max(int(place) - before - before // 2, 0)
        second, third = (int(begins(place, emitted, n, before)) for n in (1, 2))
        return emitted, begin, second, third

    def _first_trip(self, record: AnyArray, begin: int, second: int) -> FloatArray | None:
        """Return a record's first trip from its first sample on; None where it clips."""
        clips = (float(self.recording.clip_low), float(self.recording.clip_high))
        return first_trip(record, float(self.recording.zero_code), clips, begin, second)

    def _freed(
        self,
        block: AnyArray,
        start_time_us: FloatArray,
        guess_us: FloatArray,
        spacing: FloatArray,
    ) -> tuple[AnyArray, AnyArray]:
        """Return records without the path's second trip, and which they are.

        ``spacing`` is of the wall echoes that may lie on it, in samples (NaN: not known). A sample
        that clips stays as it is.
        """
        recording = self.recording
        out, freed = block.astype(np.float32), np.zeros(len(block), bool)
        for row in np.flatnonzero(np.isfinite(guess_us)):
            emitted, begin, second, third = self._trips(start_time_us[row], guess_us[row])
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
        """Return what wall echoes a window may hold, and their slopes, and a baseline."""
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
        self,
        guess_us: FloatArray,
        start_time_us: FloatArray,
        samples: int,
        trips: FloatArray | float = 1.0,
    ) -> FloatArray:
        """Return how long after the surface echo its path repeats it; infinite past the record.

        ``trips`` is how many times over it has run the path by then.
        """
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
