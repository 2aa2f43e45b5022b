"""Least squares of one record of a coated wall: surface echo, wall echoes and the coating itself.

Heights and a slow baseline are linear; sought are the place of the surface echo, the spacing, and
the coating's delay, mismatch and loss, the last two held by what is known of coatings. Where the
coating is too thin to be told from a trace of wall, that is what u says.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft

from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.steps.models import LayeredModel
from ascan.whole_record.bank import DEPTHS, FIRST_MM, depths_of, step_of
from ascan.whole_record.coating import (
    LOSS_PER_PERIOD,
    MOST_OFF,
    U_LOSS_PER_PERIOD,
    U_MISMATCH,
    Coating,
)
from ascan.whole_record.columns import WAVES, lay_waves
from ascan.whole_record.layered_records import related_noise
from ascan.whole_record.operator import Operator

MOST_ECHOES = 48
ROUNDS = 14
# No step moves an echo by more than this part of a period; below the second it is the last.
LONGEST, SETTLED = 0.1, 1e-5
# Spectra are kept up to so many times the probe's frequency.
HIGHEST = 3.0
# Windows are as long as a multiple of so many samples: few transforms serve all.
STRIDE = 128
# Where a fit leaves this part of the delay open, the mean is taken over delays so many periods
# apart, at most so many of them on each side, each of which leaves no more than so many variances
# of the noise beyond the best. Those up to NOT_REFUTED beyond it lie within so many times u.
OPEN, APART, MOST_DELAYS, FAR_BEHIND = 0.08, 0.0125, 20, 12.0
NOT_REFUTED, WITHIN = 3.84, 1.9
# Least delay by which a derivative is taken, in periods.
LEAST_STEP = 0.004


@dataclass(frozen=True, eq=False, slots=True)
class CoatedRecord:
    """What a fit gives.

    Attributes
    ----------
    numbers : ndarray, shape (5,)
        Place of the echo from beneath the coating and spacing (samples), delay of the coating (µs),
        mismatch, loss (neper per µs).
    u_spacing : float
        In samples.
    u_late_us, u_mismatch : float
        Of the coating.
    grown : float
        How many times as far as a bare wall's spacing this one is led astray by what is amiss with
        the samples, or with the pulses learned.
    left : float
        Energy that is left, what is known of coatings counted in.
    noise : float
        Standard deviation of what is left.
    residual : ndarray, shape (samples,)
    heights : ndarray, shape (1 + echoes,)
    """

    numbers: FloatArray
    u_spacing: float
    u_late_us: float
    u_mismatch: float
    grown: float
    left: float
    noise: float
    residual: FloatArray
    heights: FloatArray


@dataclass(frozen=True, eq=False, slots=True)
class Spectra:
    """Pulses and what distance does to them, for windows of up to ``transform`` samples."""

    transform: int
    mhz: FloatArray
    turning: FloatArray
    pulses: AnyArray
    spread: AnyArray


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
            Where the surface echo usually is, in samples.
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


def shares(each: list[CoatedRecord]) -> FloatArray:
    """Return how likely each of several fits is.

    As likely as what it leaves says, times the stretch of mismatches that it allows.
    """
    best = min(each, key=lambda one: one.left)
    behind = np.array([(one.left - best.left) / best.noise**2 for one in each])
    share = np.exp(-0.5 * behind) * np.array([one.u_mismatch for one in each])
    return np.asarray(share / share.sum())


def averaged(each: list[CoatedRecord]) -> CoatedRecord:
    """Return the mean of several fits; u is that of their mixture."""
    share, numbers = shares(each), np.array([one.numbers for one in each])
    mean = share @ numbers
    apart = numbers[:, 1] - mean[1]
    u = np.sqrt(share @ (np.array([one.u_spacing for one in each]) ** 2 + apart**2))
    best = min(each, key=lambda one: one.left)
    return replace(best, numbers=mean, u_spacing=float(u))


def over_delays(each: list[CoatedRecord]) -> CoatedRecord:
    """Return the mean of fits at several delays; u leaves out none that is not refuted.

    What a thin coating does goes with the square of its delay: alike beforehand are all squares,
    not all delays, or those near 0 would draw the mean to them.
    """
    numbers, best = np.array([one.numbers for one in each]), min(each, key=lambda one: one.left)
    share = shares(each) * numbers[:, 2]
    share /= share.sum()
    mean = share @ numbers
    apart = np.abs(numbers[:, 1] - mean[1])
    behind = np.array([one.left - best.left for one in each]) / best.noise**2
    furthest = np.max(apart[behind <= NOT_REFUTED]) / WITHIN
    own = share @ np.array([one.u_spacing for one in each]) ** 2
    u = np.sqrt(own + max(share @ apart**2, furthest**2))
    return replace(best, numbers=mean, u_spacing=float(u))


@dataclass(frozen=True, eq=False, slots=True)
class Known:
    """Delay, mismatch and loss of a coating as known beforehand, and how well; shape (3,)."""

    expected: FloatArray
    u: FloatArray


@dataclass(frozen=True, eq=False, slots=True)
class Solved:
    """One linear solution.

    Attributes
    ----------
    base : ndarray, shape (1 + begun, frequencies)
        Spectra of the echoes without the coating.
    count : int
        Wall echoes of own height.
    heights : ndarray, shape (1 + count + waves,)
    columns : ndarray, shape (1 + count + waves, samples)
    residual : ndarray, shape (samples,)
    left : float
        Its energy, and what is known of coatings.
    noise : float
    """

    base: AnyArray
    count: int
    heights: FloatArray
    columns: FloatArray
    residual: FloatArray
    left: float
    noise: float


@dataclass(frozen=True, eq=False, slots=True)
class Problem:
    """One record to be fitted."""

    of: CoatedFit
    spectra: Spectra
    samples: FloatArray
    weight: FloatArray
    waves: AnyArray
    usual: float

    def moves(self, step: FloatArray) -> float:
        """Return by how many samples a step moves any echo."""
        return float(np.max(np.abs(step[:3]) * [1.0, 1.0, self.of.sample_rate_mhz]))

    def found(self, start: FloatArray, known: Known | None = None) -> CoatedRecord | None:
        """Return the fit from ``start`` (`CoatedRecord.numbers`); None where nothing is told."""
        known = known or self.of.known
        best, least, step = self.of.bounded(start), np.inf, np.zeros(5)
        numbers = best
        for _ in range(ROUNDS):
            found = self.solve(numbers, known)
            if found is None:
                return None
            if found.left > least * (1.0 + 1e-6):
                # Too far: a third of the way.
                step *= 0.3
                numbers = self.of.moved(best, step)
                continue
            gain, least, best = least - found.left, found.left, numbers
            step = self.step(numbers, found, known)
            if self.moves(step) < SETTLED * self.of.period or gain < 1e-7 * least:
                break
            step = self.of.bounded(best + step) - best
            numbers = self.of.moved(best, step)
        return self.finished(best, known)

    def base(self, numbers: FloatArray, count: int) -> AnyArray:
        """Return spectra of surface echo and wall echoes without the coating."""
        of, number = self.of, np.arange(1, count + 1)
        rate, turn = of.sample_rate_mhz, of.operator.turn_us * of.sample_rate_mhz
        late_mm = (numbers[0] - self.usual) / rate * of.operator.mm_per_late_us
        depth = 0.5 * numbers[1] / rate * of.operator.velocity_mm_per_us
        crossed = np.concatenate([[0.0], number * depth]) + late_mm
        step = step_of(of.span_mm, DEPTHS)
        where = np.log1p(np.maximum(crossed - of.span_mm[0], 0.0) / FIRST_MM) / step
        low = np.minimum(where.astype(np.int64), DEPTHS - 2)
        share = np.minimum(where - low, 1.0)[:, None]
        spread = (1.0 - share) * self.spectra.spread[low] + share * self.spectra.spread[low + 1]
        # The surface echo is so high that the line between two depths is not good enough.
        spread[0] = of.operator.response(self.spectra.mhz, crossed[:1])[0]
        later = np.concatenate([[0.0], number * numbers[1] + (number - 1) * turn])
        arrivals = np.exp(-1j * np.outer(numbers[0] + later, self.spectra.turning))
        return np.asarray(
            spread * arrivals * self.spectra.pulses[np.minimum(np.arange(count + 1), 1)]
        )

    def factors(self, numbers: FloatArray, count: int) -> AnyArray:
        """Return what the coating makes of them."""
        late_us, mismatch, loss = (float(value) for value in numbers[2:])
        return self.of.coating.factors(self.spectra.mhz, late_us, mismatch, loss, count)

    def back(self, spectrum: AnyArray) -> FloatArray:
        """Return weighted samples."""
        spectra = self.spectra
        times = irfft(self.of.padded(spectrum, spectra), spectra.transform)[:, : self.samples.size]
        return np.asarray(times * self.weight)

    def solve(self, numbers: FloatArray, known: Known) -> Solved | None:
        """Solve for the heights."""
        size, decay = self.samples.size, self.of.model.decay
        # An echo cut at its beginning has no height of its own: it follows the one before it.
        count = int(max((size - numbers[0] - self.of.period) / numbers[1], 0.0))
        begun = int(max((size - numbers[0] + self.of.model.zero_index) / numbers[1], 0.0))
        count, begun = min(count, MOST_ECHOES), min(begun, 2 * MOST_ECHOES)
        if count < 1 or not np.isfinite(numbers).all():
            return None
        base = self.base(numbers, begun)
        base[count + 1 :] *= (decay ** np.arange(1, begun - count + 1))[:, None]
        echoes = self.back(base * self.factors(numbers, begun))
        echoes[count] += echoes[count + 1 :].sum(axis=0)
        columns = np.concatenate([echoes[: count + 1], self.waves])
        heights = solved(columns @ columns.T, columns @ self.samples)[0]
        residual = self.samples - heights @ columns
        free = max(int(np.count_nonzero(self.weight)) - len(columns) - 5, 1)
        own = float(residual @ residual)
        odds = float(np.sum(((numbers[2:] - known.expected) / known.u) ** 2))
        noise = np.sqrt(own / free)
        return Solved(base, count, heights, columns, residual, own + noise**2 * odds, noise)

    def derivatives(
        self, numbers: FloatArray, found: Solved, step_us: float, u_late_us: float = 0.0
    ) -> FloatArray:
        """Return how the model follows the five numbers, shape (5, samples).

        ``step_us`` is over how much delay that of the delay is taken; those of mismatch and loss
        are taken at a delay that differs by ``u_late_us``, which they are products with.
        """
        begun = len(found.base) - 1
        own = np.minimum(np.arange(begun + 1), found.count)
        sized, now = found.base * found.heights[own, None], self.factors(numbers, begun)
        late = -1j * self.spectra.turning
        whole = sized * now
        out = [late * whole.sum(axis=0), late * (np.arange(begun + 1)[:, None] * whole).sum(axis=0)]
        there = numbers.copy()
        for k, change in ((2, step_us), (3, 0.1 * U_MISMATCH), (4, 0.1 * self.of.usual_loss)):
            if k == 3 and u_late_us > 0.0:
                there[2] = np.hypot(there[2], u_late_us)
                now = self.factors(there, begun)
            moved = there.copy()
            moved[k] += change
            out.append((sized * (self.factors(moved, begun) - now)).sum(axis=0) / change)
        return self.back(np.stack(out))

    def step(self, numbers: FloatArray, found: Solved, known: Known) -> FloatArray:
        """Return the Gauss-Newton step."""
        least_us = LEAST_STEP / self.of.coating.frequency_mhz
        columns = np.concatenate([self.derivatives(numbers, found, least_us), found.columns])
        matrix, right = columns @ columns.T, columns @ found.residual
        weight = (found.noise / known.u) ** 2
        matrix[[2, 3, 4], [2, 3, 4]] += weight
        right[2:5] += weight * (known.expected - numbers[2:])
        step = solved(matrix, right)[0][:5]
        longest = self.moves(step) / (LONGEST * self.of.period)
        longest = max(longest, abs(step[3]) / U_MISMATCH)
        return np.asarray(step / max(longest, 1.0))

    def finished(self, numbers: FloatArray, known: Known) -> CoatedRecord | None:
        """Return what the fit gives where it has ended.

        A thin coating's delay shows by the square of it alone: the derivative is taken over as much
        as the record leaves open.
        """
        found = self.solve(numbers, known)
        if found is None:
            return None
        least_us = LEAST_STEP / self.of.coating.frequency_mhz
        step_us = u_late_us = 4.0 * least_us
        for _ in range(4):
            moved = self.derivatives(numbers, found, step_us, u_late_us)
            columns = np.concatenate([moved, found.columns])
            matrix = columns @ columns.T
            matrix[[2, 3, 4], [2, 3, 4]] += (found.noise / known.u) ** 2
            inverse = solved(matrix, np.zeros(len(columns)))[1]
            u_late_us = float(found.noise * np.sqrt(max(inverse[2, 2], 0.0)))
            step_us = float(np.clip(u_late_us, least_us, 100.0 * least_us))
        follows = inverse[1] @ columns
        free = max(int(np.count_nonzero(self.weight)) - len(columns), 1)
        u = related_noise(
            found.residual.astype(np.float32),
            follows.astype(np.float32),
            int(np.ceil(self.of.period)),
            free,
        )
        bare = np.delete(np.delete(matrix, [2, 3, 4], 0), [2, 3, 4], 1)
        alone = solved(bare, np.zeros(len(bare)))[1]
        # What is only known, not seen, of mismatch and loss.
        unseen = inverse[1, 2:5] * found.noise**2 / known.u
        return CoatedRecord(
            numbers,
            float(np.sqrt(u**2 + np.sum(unseen**2))),
            u_late_us,
            float(found.noise * np.sqrt(max(inverse[3, 3], 0.0))),
            float(np.linalg.norm(follows) / np.sqrt(max(alone[1, 1], 1e-300))),
            found.left,
            found.noise,
            found.residual,
            found.heights[: found.count + 1],
        )


def solved(matrix: FloatArray, right: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return solution and inverse of a positive matrix, a trace of ridge on its scaled diagonal."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    scaled = matrix * np.outer(scale, scale)
    scaled[np.diag_indices_from(scaled)] += 1e-10
    inverse = np.linalg.inv(scaled) * np.outer(scale, scale)
    return inverse @ right, inverse
