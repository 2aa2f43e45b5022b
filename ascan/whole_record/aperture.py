"""Records of a dual-element probe: what both apertures hear of a wall, echo by echo."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import ClassVar

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray, IntArray
from ascan.path.aperture import (
    ARRIVALS,
    SHEAR_RATIO,
    DualGeometry,
    arrivals,
    spread,
)
from ascan.whole_record.frequencies import Frequencies
from ascan.whole_record.operator import ATTENUATION_POWER, NEPER_PER_DB
from ascan.whole_record.pulse import begun_before
from ascan.whole_record.step_records import Columns, Estimate, StepRecords

# Arrivals are spread over cells this part of a sample wide.
FINER = 4
# What is known of a probe by its nominal dimensions, as standard uncertainties: slowness and wedge
# height as shares, roof in degrees, distance of the elements' middles as a share, wedge velocity as
# a share.
PRIOR_SLOWNESS, PRIOR_HEIGHT, PRIOR_ROOF_DEG = 0.02, 0.03, 1.0
PRIOR_APART, PRIOR_WEDGE = 0.1, 0.01
# Of the wall: transverse against longitudinal velocity, attenuation in dB/mm.
PRIOR_SHEAR, PRIOR_ATTENUATION = 0.005, 0.03
# Derivatives by the operator's values are differences over this part of their uncertainty.
SMALL = 0.02
# A window ends where the first arrival that is left out begins, so many periods before it at least;
# one is taken in that has so many to the window's end.
CLEAR_PERIODS, WHOLE_PERIODS = 1.0, 2.5
MOST_KNOWN = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class ApertureOperator:
    """Two elements over a wall.

    Attributes
    ----------
    velocity_mm_per_us : float
        Of the wall.
    geometry : DualGeometry
    frequency_mhz : float
        Of the probe.
    shear_ratio : float
        Transverse against longitudinal velocity of the wall.
    attenuation_db_per_mm : float
        Of the wall along the path, at the probe's frequency.
    """

    velocity_mm_per_us: float
    geometry: DualGeometry
    frequency_mhz: float
    shear_ratio: float = SHEAR_RATIO
    attenuation_db_per_mm: float = 0.0

    @property
    def slowness_us_per_mm(self) -> float:
        """Time that a millimetre of wall takes, there and back."""
        return 2.0 / self.velocity_mm_per_us

    def values(self) -> FloatArray:
        """Return slowness, wedge height, roof, gap, wedge velocity, shear ratio, attenuation."""
        g = self.geometry
        probe = [g.height_mm, g.roof_deg, g.gap_mm, g.velocity_mm_per_us]
        wall = [self.shear_ratio, self.attenuation_db_per_mm]
        return np.array([self.slowness_us_per_mm, *probe, *wall])

    def with_values(self, values: FloatArray) -> ApertureOperator:
        """Return the operator with other values, in the same order."""
        slowness, height, roof, gap, wedge, shear, loss = (float(value) for value in values)
        return replace(
            self,
            velocity_mm_per_us=2.0 / slowness,
            shear_ratio=shear,
            attenuation_db_per_mm=max(loss, 0.0),
            geometry=replace(
                self.geometry,
                height_mm=height,
                roof_deg=roof,
                gap_mm=gap,
                velocity_mm_per_us=wedge,
            ),
        )

    def least_us(self, thickness_mm: float, echo: int = 1) -> float:
        """Return the time between the elements' middles."""
        depth = np.array([thickness_mm])
        return float(self.geometry.middle_time_us(depth, self.velocity_mm_per_us, echo)[0])


def arrival_times_us(operator: ApertureOperator, thickness_mm: float) -> FloatArray:
    """Return the times between the elements' middles of `ARRIVALS` and of the fourth echo."""
    first = operator.least_us(thickness_mm)
    later = thickness_mm / operator.velocity_mm_per_us * (1.0 / operator.shear_ratio - 1.0)
    echoes = [operator.least_us(thickness_mm, number) for number in (2, 3, 4)]
    return np.array([first, first + later, *echoes])


def lost(operator: ApertureOperator, thickness_mm: float, mhz: AnyArray) -> FloatArray:
    """Return what attenuation leaves of each arrival, shape (arrivals, frequencies)."""
    crossed_mm = thickness_mm * np.array([down + slow for down, slow, _ in ARRIVALS])
    relative = (mhz / operator.frequency_mhz) ** ATTENUATION_POWER
    lost_db = operator.attenuation_db_per_mm * np.outer(crossed_mm, relative)
    return np.asarray(np.exp(-NEPER_PER_DB * lost_db))


@dataclass(frozen=True, eq=False, slots=True)
class ApertureFamily:
    """The family of such records; ``nominal`` is the operator before any step is read.

    The times of all readings are counted from when the pulse leaves: ``usual`` of a reading is the
    place of that instant in its window.
    """

    frequencies: Frequencies
    nominal: ApertureOperator
    known: dict[tuple[ApertureOperator, float], AnyArray] = field(default_factory=dict)
    names: ClassVar[tuple[str, ...]] = (
        "velocity",
        "wedge height",
        "roof",
        "element gap",
        "wedge velocity",
        "transverse velocity",
        "attenuation",
    )
    own_place: ClassVar[bool] = False

    @property
    def sigma(self) -> FloatArray:
        """Standard uncertainties of the operator's values before any step is read."""
        g = self.nominal.geometry
        return np.array(
            [
                PRIOR_SLOWNESS * self.nominal.slowness_us_per_mm,
                PRIOR_HEIGHT * g.height_mm,
                PRIOR_ROOF_DEG,
                PRIOR_APART * (g.gap_mm + g.width_mm),
                PRIOR_WEDGE * g.velocity_mm_per_us,
                PRIOR_SHEAR,
                PRIOR_ATTENUATION,
            ]
        )

    @property
    def sought(self) -> AnyArray:
        """Which of the operator's values are sought."""
        return np.ones(len(self.names), bool)

    def pulse_of(self, heights: int) -> IntArray:
        """Return the number of the pulse that each height belongs to."""
        return np.zeros(heights, np.int64)

    def end_windows(self, estimate: Estimate, records: StepRecords) -> StepRecords:
        """Make room for each reading's heights; end its window before an arrival that is cut."""
        rate, frequency = (
            self.frequencies.basis.sample_rate_mhz,
            self.frequencies.basis.frequency_mhz,
        )
        basis, weight = self.frequencies.basis, records.weight.copy()
        pulse = estimate.pulses[0] @ basis.functions
        lead_us = begun_before(pulse, basis.before, CLEAR_PERIODS * rate / frequency) / rate
        for row, thickness in enumerate(estimate.thickness_mm):
            end_us = (np.flatnonzero(records.weight[row])[-1] - records.usual[row]) / rate
            times_us = arrival_times_us(estimate.operator, float(thickness))
            count = int(np.searchsorted(times_us, end_us - WHOLE_PERIODS / frequency))
            count = min(max(count, 1), len(ARRIVALS))
            estimate.heights[row] = np.zeros(count)
            clear_us = times_us[count] - lead_us
            weight[row, max(int(records.usual[row] + clear_us * rate), 0) :] = 0.0
        return replace(records, weight=weight)

    def heard(self, operator: ApertureOperator, thickness_mm: float) -> AnyArray:
        """Return the spectra of all arrivals for a pulse at time 0, shape (arrivals, frequencies).

        The first's sum of weights is 1. Readings on one step share them.
        """
        key = (operator, thickness_mm)
        if key not in self.known:
            if len(self.known) > MOST_KNOWN:
                self.known.clear()
            self.known[key] = self._heard(operator, thickness_mm)
        return self.known[key]

    def _heard(self, operator: ApertureOperator, thickness_mm: float) -> AnyArray:
        rate = self.frequencies.basis.sample_rate_mhz * FINER
        size = self.frequencies.transform * FINER
        found = arrivals(
            operator.geometry, thickness_mm, operator.velocity_mm_per_us, operator.shear_ratio
        )
        density = np.zeros((len(found), size))
        whole = found[0][1].sum()
        first_us = min(float(time.min()) for time, _ in found)
        for row, (time, part) in enumerate(found):
            spread(density[row], (time - first_us) * rate + 1.0, part / whole)
        kept = self.frequencies.mhz.size
        late = first_us - 1.0 / rate
        turned = np.exp(-2j * np.pi * self.frequencies.mhz * late)
        spectra = np.fft.rfft(density)[:, :kept] * turned
        return np.asarray(spectra * lost(operator, thickness_mm, self.frequencies.mhz))

    def echoes(self, estimate: Estimate, records: StepRecords, row: int) -> AnyArray:
        """Return the spectra of a reading's echoes, of height 1."""
        pulse = estimate.pulses[0] @ self.frequencies.functions
        count = estimate.heights[row].size
        heard = self.heard(estimate.operator, float(estimate.thickness_mm[row]))[:count]
        late = np.exp(-1j * self.frequencies.turning * records.usual[row])
        return np.asarray(heard * pulse * late)

    def columns(
        self,
        estimate: Estimate,
        place: float,
        thickness_mm: float,
        heights: FloatArray,
        usual: float,
    ) -> Columns:
        """Return a reading's model and its derivatives; the place is the pulse's own."""
        frequencies, operator = self.frequencies, estimate.operator
        begin = np.exp(-1j * frequencies.turning * usual)
        pulse, count = estimate.pulses[0] @ frequencies.functions * begin, heights.size
        heard = self.heard(operator, thickness_mm)[:count]
        summed = heights @ heard
        values, sigma = operator.values(), self.sigma
        by_value = []
        for k in range(values.size):
            moved = values.copy()
            moved[k] += SMALL * sigma[k]
            other = self.heard(operator.with_values(moved), thickness_mm)[:count]
            by_value.append((heights @ other - summed) / (SMALL * sigma[k]) * pulse)
        more = 1e-3 * thickness_mm
        other = self.heard(operator, thickness_mm + more)[:count]
        thicker = (heights @ other - summed) / more * pulse
        own = heard * pulse
        by_pulse = summed * begin * frequencies.functions
        spectra = np.concatenate([(summed * pulse)[None], own, by_pulse, by_value, thicker[None]])
        times = frequencies.back(spectra)
        return Columns(
            model=times[0],
            own=np.concatenate([times[1 : 1 + count], frequencies.waves]),
            shared=times[1 + count : -1],
            thicker=times[-1],
        )
