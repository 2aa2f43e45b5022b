"""The whole record as one model, bound to a calibration and a recording."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ascan.arrays import AnyArray, Columns, FlagArray, FloatArray
from ascan.calibration.parts import RecordPart
from ascan.health.thresholds import Checks
from ascan.recording import Recording
from ascan.whole_record.bank import PLACES, Bank, make_bank
from ascan.whole_record.operator import Operator
from ascan.whole_record.rivals import RESULTS, fit_records
from ascan.whole_record.search import THINNEST, Comb, make_comb

# A longer record is cut: what comes later adds next to nothing.
LONGEST_US = 60.0
# The path may be shorter than usual by so much wall of equal spreading.
SHORTER_MM = 4.0
# The search lays the wall's pulse as it is after so much wall.
USUAL_MM = 5.0


@dataclass(frozen=True, eq=False, slots=True)
class RecordStage:
    """Fits whole records; immutable, thread-safe.

    Attributes
    ----------
    part : RecordPart
    velocity_mm_per_us : float
        Of the wall, from the calibration.
    recording : Recording
    frequency_mhz : float
        Of the probe.
    delay_us : float
        When the pulse leaves the probe.
    most_mm : float
        Thickest wall that is sought.
    checks : Checks
        Thresholds of its decisions.
    """

    part: RecordPart
    velocity_mm_per_us: float
    recording: Recording
    frequency_mhz: float
    delay_us: float
    most_mm: float
    checks: Checks
    operator: Operator = field(init=False)
    banks: tuple[Bank, Bank] = field(init=False)
    comb: Comb = field(init=False)

    def __post_init__(self) -> None:
        part, rate = self.part, self.recording.sample_rate_mhz
        operator = operator_of(part, self.velocity_mm_per_us, self.frequency_mhz)
        span = (-SHORTER_MM, 0.5 * self.velocity_mm_per_us * LONGEST_US)
        banks = (
            make_bank(part.front, operator, rate, span),
            make_bank(part.wall, operator, rate, span),
        )
        period = rate / self.frequency_mhz
        most = max(operator.slowness_us_per_mm * self.most_mm * rate, 2.0 * period)
        surface, middle = np.searchsorted(banks[0].depths_mm, [0.0, USUAL_MM])
        comb = make_comb(
            banks[0].shapes[surface, PLACES // 2, 0],
            banks[1].shapes[middle, PLACES // 2, 0],
            part.levels,
            (THINNEST * period, most),
            operator.turn_us * rate,
        )
        object.__setattr__(self, "operator", operator)
        object.__setattr__(self, "banks", banks)
        object.__setattr__(self, "comb", comb)

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
        part, rate, operator = self.part, self.recording.sample_rate_mhz, self.operator
        guess_us = picked_us + part.lag_us
        # Where the pulse has run the path once more, its repeats begin.
        repeat_us = 2.0 * guess_us - self.delay_us - start_time_us
        ends = np.nan_to_num(repeat_us * rate, nan=0.0, posinf=1e9).astype(np.int64) - part.before
        results = np.empty((len(block), RESULTS))
        comb = self.comb
        setup = np.array(
            [
                part.before,
                operator.turn_us * rate,
                0.5 * self.velocity_mm_per_us / rate,
                operator.mm_per_late_us / rate,
                0.0,
                part.strength,
                part.front_scatter,
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
            (part.usual_us - start_time_us) * rate,
            rate / self.frequency_mhz,
            part.decay,
            (comb.front, comb.wall, comb.levels, comb.energies),
            (comb.least, comb.turn, comb.front_energy),
            longest,
            (
                self.checks.least_record_odds,
                self.checks.least_strength,
                10.0 ** (self.checks.least_snr_db / 20.0),
            ),
            results,
            flags,
        )
        spacing, u, left, rival, odds = results.T
        return {
            "interval_us": spacing / rate,
            "u_interval_us": u / rate,
            "unexplained": left / self.recording.full_scale,
            "rival_us": rival / rate,
            "rival_odds": odds,
            "repeat_us": self.repeat_us(guess_us, start_time_us, block.shape[1]),
        }

    def repeat_us(
        self, guess_us: FloatArray, start_time_us: FloatArray, samples: int
    ) -> FloatArray:
        """Return how long after the surface echo its path repeats it; infinite past the record."""
        later = guess_us - self.delay_us - self.part.before / self.recording.sample_rate_mhz
        end_us = start_time_us + samples / self.recording.sample_rate_mhz - guess_us
        return np.where(later < end_us, later, np.inf)


def operator_of(part: RecordPart, velocity_mm_per_us: float, frequency_mhz: float) -> Operator:
    """Return the operator a calibration learned."""
    return Operator(
        velocity_mm_per_us=velocity_mm_per_us,
        turn_us=part.turn_us,
        attenuation_db_per_mm=part.attenuation_db_per_mm,
        radius_mm=part.radius_mm,
        frequency_mhz=frequency_mhz,
        path_mm2_per_us=part.path_mm2_per_us,
        path_velocity_mm_per_us=part.path_velocity_mm_per_us,
    )
