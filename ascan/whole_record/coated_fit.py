"""Least squares of one record of a coated wall: all its echoes, and the coating itself.

Heights and a slow baseline are linear; sought are the place of the interface echo, the spacing, and
the coating's delay, mismatch and loss, the last two held by what is known of coatings. Where the
coating is too thin to be told from a trace of wall, that is what u says.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.fft import next_fast_len, rfft

from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.steps.models import LayeredModel
from ascan.whole_record.bank import DEPTHS, depths_of, step_of
from ascan.whole_record.coated_delays import averaged, over_delays, shares
from ascan.whole_record.coated_problem import CoatedRecord, Known, Problem, Spectra
from ascan.whole_record.coating import (
    LOSS_PER_PERIOD,
    MOST_OFF,
    U_LOSS_PER_PERIOD,
    U_MISMATCH,
    Coating,
)
from ascan.whole_record.columns import WAVES, lay_waves
from ascan.whole_record.operator import Operator

# Spectra are kept up to so many times the probe's frequency.
HIGHEST = 3.0
# Windows are as long as a multiple of so many samples: few transforms serve all.
STRIDE = 128
# Where a fit leaves this part of the delay open, the mean is taken over delays so many periods
# apart, at most so many of them on each side, each of which leaves no more than so many variances
# of the noise beyond the best.
OPEN, APART, MOST_DELAYS, FAR_BEHIND = 0.08, 0.0125, 20, 12.0


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class CoatedFit:
    """Fits records of coated walls; immutable but for the transforms it keeps.

    Attributes
    ----------
    model : LayeredModel
    operator : Operator
    coating : Coating
    sample_rate_mhz : float
    span_mm : tuple of float
        Wall crossed that is looked up.
    """

    model: LayeredModel
    operator: Operator
    coating: Coating
    sample_rate_mhz: float
    span_mm: tuple[float, float]
    _spectra: dict[int, Spectra] = field(default_factory=dict)

    @property
    def period(self) -> float:
        """In samples."""
        return self.sample_rate_mhz / self.coating.frequency_mhz

    @property
    def usual_loss(self) -> float:
        """Of a coating, in neper per µs."""
        return LOSS_PER_PERIOD * self.coating.frequency_mhz

    def padded(self, kept: AnyArray, spectra: Spectra) -> AnyArray:
        """Return whole spectra from the bins that are kept."""
        whole = np.zeros((len(kept), spectra.transform // 2 + 1), np.complex128)
        whole[:, : kept.shape[1]] = kept
        return whole

    def spectra(self, samples: int) -> Spectra:
        """Return the spectra for windows of so many samples."""
        room = -(-samples // STRIDE) * STRIDE + 3 * self.model.interface_pulse.size
        transform = next_fast_len(room, real=True)
        if transform not in self._spectra:
            mhz = np.fft.rfftfreq(transform, 1.0 / self.sample_rate_mhz)
            kept = int(np.searchsorted(mhz, HIGHEST * self.coating.frequency_mhz))
            padded = np.zeros((2, transform))
            padded[0, : self.model.interface_pulse.size] = self.model.interface_pulse
            padded[1, : self.model.wall_pulse.size] = self.model.wall_pulse
            pulses = rfft(np.roll(padded, -self.model.zero_index, axis=1))[:, :kept]
            depths = depths_of(self.span_mm[0], step_of(self.span_mm, DEPTHS), DEPTHS)
            self._spectra[transform] = Spectra(
                transform,
                np.asarray(mhz[:kept], np.float64),
                np.asarray(2.0 * np.pi * np.fft.rfftfreq(transform)[:kept], np.float64),
                pulses,
                self.operator.response(mhz[:kept], depths),
            )
        return self._spectra[transform]

    def problem(self, samples: FloatArray, weight: FloatArray, usual: float) -> Problem:
        """Return the problem that a record is.

        Parameters
        ----------
        samples, weight : ndarray, shape (samples,)
            Samples times their weights.
        usual : float
            Where the interface echo usually is, in samples.
        """
        waves = np.empty((WAVES, samples.size), np.float32)
        lay_waves(weight.astype(np.float32), waves)
        return Problem(self, self.spectra(samples.size), samples, weight, waves, usual)

    @property
    def known(self) -> Known:
        """What is known of any coating."""
        u_loss = U_LOSS_PER_PERIOD * self.coating.frequency_mhz
        return Known(
            np.array([0.0, self.coating.mismatch, self.usual_loss]),
            np.array([np.inf, U_MISMATCH, u_loss]),
        )

    def open_delay(self, problem: Problem, alike: list[CoatedRecord]) -> CoatedRecord:
        """Return the mean of fits of one wall, and of all delays where those leave it open.

        Of a thin coating the record tells little more than mismatch times delay squared.
        """
        found = alike[int(np.argmax(shares(alike)))]
        if found.u_late_us < OPEN * found.numbers[2]:
            return averaged(alike)
        each = [*self._beside(problem, found, -1.0), *self._beside(problem, found, 1.0)]
        if not each:
            return found
        mean = over_delays(each)
        # The coating itself is told as it fits best.
        numbers = np.append(mean.numbers[:2], found.numbers[2:])
        return replace(mean, numbers=numbers, grown=found.grown)

    def _beside(self, problem: Problem, found: CoatedRecord, way: float) -> list[CoatedRecord]:
        """Return fits whose delays are held ever further from that of ``found``, one way.

        Each begins where the one before it ends, and its echoes are heard where they were.
        """
        apart_us = APART / self.coating.frequency_mhz
        late_us, numbers = found.numbers[2], found.numbers
        out: list[CoatedRecord] = []
        for _ in range(MOST_DELAYS):
            if late_us < 0.1 * apart_us:
                break
            late_us = max(late_us + way * apart_us * (0.5 if not out else 1.0), 0.05 * apart_us)
            one = problem.found(self.at_delay(numbers, late_us), self.held(late_us))
            if one is None or one.left - found.left > FAR_BEHIND * found.noise**2:
                break
            out.append(one)
            numbers = one.numbers
        return out

    def at_delay(self, numbers: FloatArray, late_us: float) -> FloatArray:
        """Return numbers with another delay, and echoes heard where they were."""
        more = late_us - numbers[2]
        heard = self.coating.heard_us(more, numbers[3]) * self.sample_rate_mhz
        return np.asarray(numbers + np.array([heard[0], -heard[1], more, 0.0, 0.0]))

    def moved(self, numbers: FloatArray, step: FloatArray) -> FloatArray:
        """Return numbers a step on, along where echoes stay as they are heard.

        Straight on, the product of two small changes would move echoes by more than a fit bears.
        """
        (late, mismatch), (later, more) = numbers[2:4], step[2:4]
        slight = 1e-3
        now = self.coating.heard_us(late, mismatch)
        straight = self.coating.heard_us(later, mismatch)
        straight += (self.coating.heard_us(late, mismatch + slight * more) - now) / slight
        bent = self.coating.heard_us(late + later, mismatch + more) - now - straight
        out = numbers + step
        out[:2] += bent * np.array([1.0, -1.0]) * self.sample_rate_mhz
        return np.asarray(out)

    def bounded(self, numbers: FloatArray) -> FloatArray:
        """Return numbers with delay and loss not below 0, and the mismatch of a paint."""
        low, high = self.coating.mismatch - MOST_OFF, self.coating.mismatch + MOST_OFF
        least = np.array([-np.inf, 0.0, 0.0, low, 0.0])
        return np.asarray(np.clip(numbers, least, [np.inf, np.inf, np.inf, high, np.inf]))

    def held(self, late_us: float) -> Known:
        """Return what is known where the delay is taken as known, too."""
        known = self.known
        expected, u = known.expected.copy(), known.u.copy()
        expected[0], u[0] = late_us, 1e-3 * late_us
        return Known(expected, u)
