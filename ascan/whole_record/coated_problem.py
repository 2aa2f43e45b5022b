"""One record of a coated wall to be fitted: heights, derivatives, steps, and what it then says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.fft import irfft

from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.whole_record.bank import DEPTHS, FIRST_MM, step_of
from ascan.whole_record.coating import U_MISMATCH
from ascan.whole_record.layered_evidence import related_noise

if TYPE_CHECKING:
    from ascan.whole_record.coated_fit import CoatedFit

MOST_ECHOES = 48
ROUNDS = 14
# No step moves an echo by more than this part of a period; below the second it is the last.
LONGEST, SETTLED = 0.1, 1e-5
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
        Back-wall echoes of own height.
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
        """Return spectra of interface echo and back-wall echoes without the coating."""
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
        # The interface echo is so high that the line between two depths is not good enough.
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
