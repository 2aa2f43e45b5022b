"""Records of a wall behind a delay line or water: interface echo and train of back-wall echoes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray, IntArray
from ascan.whole_record.frequencies import Frequencies
from ascan.whole_record.operator import ATTENUATION_POWER, NEPER_PER_DB, Operator
from ascan.whole_record.step_records import Columns, Estimate, StepRecords

MOST_ECHOES = 48
# What is known of the operator before any step is read, as standard uncertainties: slowness as a
# share, turn in periods, attenuation in dB/mm, radius as a share.
PRIOR_SLOWNESS, PRIOR_TURN, PRIOR_ATTENUATION, PRIOR_RADIUS = 0.03, 0.03, 0.03, 0.1


@dataclass(frozen=True, eq=False, slots=True)
class Arrivals:
    """Spectra of a reading's echoes, the surface's first: what distance does, and the echoes."""

    crossed_mm: FloatArray
    spread: AnyArray
    arrivals: AnyArray
    echoes: AnyArray


@dataclass(frozen=True, eq=False, slots=True)
class LayeredFamily:
    """The family of such records; ``nominal`` is the operator before any step is read."""

    frequencies: Frequencies
    nominal: Operator
    names: ClassVar[tuple[str, ...]] = ("velocity", "turn", "attenuation", "element radius")
    own_place: ClassVar[bool] = True

    @property
    def sigma(self) -> FloatArray:
        """Standard uncertainties of the operator's values before any step is read."""
        turn = PRIOR_TURN / self.nominal.frequency_mhz
        slowness = PRIOR_SLOWNESS * self.nominal.slowness_us_per_mm
        return np.array([slowness, turn, PRIOR_ATTENUATION, PRIOR_RADIUS])

    @property
    def sought(self) -> AnyArray:
        """Which of the operator's values are sought."""
        return np.array([True, True, True, self.nominal.radius_mm > 0.0])

    def pulse_of(self, heights: int) -> IntArray:
        """Return the number of the pulse that each height belongs to."""
        return np.minimum(np.arange(heights), 1)

    def end_windows(self, estimate: Estimate, records: StepRecords) -> StepRecords:
        """Count the back-wall echoes of each reading, and end its window before one that is cut.

        Of an echo cut at its beginning nothing is learned, but its height would go wild.
        """
        basis = self.frequencies.basis
        period = basis.sample_rate_mhz / basis.frequency_mhz
        weight = records.weight.copy()
        for row, place in enumerate(estimate.place):
            spacing = estimate.thickness_mm[row] * estimate.operator.slowness_us_per_mm
            spacing *= basis.sample_rate_mhz
            end = np.flatnonzero(records.weight[row])[-1] + 1
            count = min(max(int((end - period - place) / spacing), 1), MOST_ECHOES)
            estimate.heights[row] = np.zeros(count + 1)
            weight[row, max(int(place + (count + 1) * spacing) - basis.before, 0) :] = 0.0
        return replace(records, weight=weight)

    def echoes(self, estimate: Estimate, records: StepRecords, row: int) -> AnyArray:
        """Return the spectra of a reading's echoes, of height 1."""
        return self.arrivals_of(
            estimate,
            float(estimate.place[row]),
            float(estimate.thickness_mm[row]),
            estimate.heights[row].size - 1,
            float(records.usual[row]),
        ).echoes

    def arrivals_of(
        self,
        estimate: Estimate,
        place: float,
        thickness_mm: float,
        count: int,
        usual: float,
    ) -> Arrivals:
        """Return interface echo and ``count`` back-wall echoes, of height 1."""
        operator, rate = estimate.operator, self.frequencies.basis.sample_rate_mhz
        number = np.arange(1, count + 1)
        late_mm = (place - usual) / rate * operator.mm_per_late_us
        crossed = np.concatenate([[0.0], number * thickness_mm]) + late_mm
        spread = operator.response(self.frequencies.mhz, crossed)
        spacing = thickness_mm * operator.slowness_us_per_mm * rate
        later = np.concatenate([[0.0], number * spacing + (number - 1) * operator.turn_us * rate])
        arrivals = spread * np.exp(-1j * np.outer(place + later, self.frequencies.turning))
        pulses = estimate.pulses @ self.frequencies.functions
        echoes = arrivals * pulses[np.minimum(np.arange(count + 1), 1)]
        return Arrivals(crossed, spread, arrivals, echoes)

    def columns(
        self,
        estimate: Estimate,
        place: float,
        thickness_mm: float,
        heights: FloatArray,
        usual: float,
    ) -> Columns:
        """Return a reading's model and its derivatives; the first height is the surface's."""
        operator, rate = estimate.operator, self.frequencies.basis.sample_rate_mhz
        w, number = self.frequencies.turning, np.arange(1, heights.size)[:, None]
        found = self.arrivals_of(estimate, place, thickness_mm, heights.size - 1, usual)
        crossed, spread, arrivals = found.crossed_mm, found.spread, found.arrivals
        arrivals_front, arrivals_wall = found.echoes[0], found.echoes[1:]
        sized_front, sized_wall = heights[0] * arrivals_front, heights[1:, None] * arrivals_wall
        whole = sized_front + sized_wall.sum(axis=0)
        late = -1j * w
        own = [late * whole, arrivals_front, *arrivals_wall]
        by_slowness = late * rate * thickness_mm * (number * sized_wall).sum(axis=0)
        by_turn = late * rate * ((number - 1) * sized_wall).sum(axis=0)
        relative = (self.frequencies.mhz / operator.frequency_mhz) ** ATTENUATION_POWER
        lost = -NEPER_PER_DB * 2.0 * relative * crossed[:, None]
        by_loss = lost[0] * sized_front + (lost[1:] * sized_wall).sum(axis=0)
        by_radius = np.zeros_like(by_loss)
        if operator.radius_mm > 0.0:
            wider = replace(operator, radius_mm=operator.radius_mm * np.exp(1e-4))
            change = (wider.response(self.frequencies.mhz, crossed) / spread - 1.0) / 1e-4
            by_radius = change[0] * sized_front + (change[1:] * sized_wall).sum(axis=0)
        summed = (heights[1:, None] * arrivals[1:]).sum(axis=0)
        shared = np.concatenate(
            [
                heights[0] * arrivals[0] * self.frequencies.functions,
                summed * self.frequencies.functions,
                np.stack([by_slowness, by_turn, by_loss, by_radius]),
            ]
        )
        times = self.frequencies.back(np.concatenate([whole[None], np.stack(own), shared]))
        count = len(own)
        shared_times = times[1 + count :]
        # A thicker wall lengthens the spacing as a slower one does.
        return Columns(
            model=times[0],
            own=np.concatenate([times[1 : 1 + count], self.frequencies.waves]),
            shared=shared_times,
            thicker=shared_times[-4] * operator.slowness_us_per_mm / thickness_mm,
        )
