"""Whole records of a dual-element probe, bound to a calibration and a recording."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.fft import next_fast_len

from ascan.kernels.arrays import AnyArray, Columns, FlagArray, FloatArray
from ascan.path.aperture import ARRIVALS, DualGeometry, arrivals, spread
from ascan.steps.models import ApertureModel
from ascan.waveform.recording import Recording
from ascan.whole_record.aperture import (
    CLEAR_PERIODS,
    FINER,
    ApertureOperator,
    arrival_times_us,
    lost,
)
from ascan.whole_record.bank import PLACES, depths_of, step_of
from ascan.whole_record.dual_fit import Laid
from ascan.whole_record.dual_records import Evidence, Residuals, Starts, fit_walls
from ascan.whole_record.pulse import begun_before
from ascan.whole_record.window import Records

DEPTHS = 72
# Longest window, in µs: later echoes add next to nothing.
LONGEST_US = 12.0


@dataclass(frozen=True, eq=False, slots=True)
class ApertureStage:
    """Fits whole records of a dual-element probe; immutable, thread-safe.

    Attributes
    ----------
    model : ApertureModel
    recording : Recording
    frequency_mhz, delay_us : float
        Of the probe.
    span_mm : tuple of float
        Thinnest and thickest wall that is laid out.
    usual : Residuals
    """

    model: ApertureModel
    recording: Recording
    frequency_mhz: float
    delay_us: float
    span_mm: tuple[float, float]
    usual: Residuals
    operator: ApertureOperator = field(init=False)
    bank: FloatArray = field(init=False)
    times: FloatArray = field(init=False)
    scale: tuple[float, float] = field(init=False)

    def __post_init__(self) -> None:
        operator = operator_of(self.model, self.frequency_mhz)
        step = step_of(self.span_mm, DEPTHS)
        object.__setattr__(self, "operator", operator)
        object.__setattr__(self, "scale", (self.span_mm[0], step))
        self._lay_out(operator, depths_of(self.span_mm[0], step, DEPTHS))

    def _lay_out(self, operator: ApertureOperator, depths: FloatArray) -> None:
        """Lay out what the probe hears of every thickness, each arrival from its own least time."""
        model, rate = self.model, self.recording.sample_rate_mhz
        found = [
            arrivals(operator.geometry, depth, operator.velocity_mm_per_us, operator.shear_ratio)
            for depth in depths
        ]
        first_us = np.array([[time.min() for time, _ in each] for each in found])
        most_us = max(float(np.ptp(time)) for each in found for time, _ in each)
        size = model.pulse.size + int(np.ceil(most_us * rate)) + 2
        transform = next_fast_len(size + model.pulse.size, real=True)
        omega = 2.0 * np.pi * np.fft.rfftfreq(transform)
        mhz = np.fft.rfftfreq(transform, 1.0 / rate)
        pulse = np.fft.rfft(model.pulse, transform)
        places = np.arange(PLACES + 1) / PLACES - 0.5
        bank = np.empty((len(ARRIVALS), DEPTHS, PLACES + 1, 3, size), np.float32)
        for d, each in enumerate(found):
            whole = each[0][1].sum()
            for k, (time, weight) in enumerate(each):
                density = np.zeros(transform * FINER)
                spread(density, (time - first_us[d, k]) * rate * FINER, weight / whole)
                heard = np.fft.rfft(density)[: omega.size] * pulse
                heard = heard * lost(operator, float(depths[d]), mhz)[k]
                for p, place in enumerate(places):
                    late = heard * np.exp(-1j * omega * place)
                    orders = np.stack([late, 1j * omega * late, -(omega**2) * late])
                    bank[k, d, p] = np.fft.irfft(orders, transform)[:, :size]
        fourth = np.array([arrival_times_us(operator, float(depth))[-1] for depth in depths])
        times = np.concatenate([first_us.T, fourth[None]]) * rate
        object.__setattr__(self, "bank", bank)
        object.__setattr__(self, "times", np.ascontiguousarray(times))

    @property
    def lead(self) -> int:
        """By how many samples an arrival is well begun before its time: its window ends there."""
        period = self.recording.sample_rate_mhz / self.frequency_mhz
        return begun_before(self.model.pulse, self.model.zero_index, CLEAR_PERIODS * period)

    def run(
        self, block: AnyArray, start_time_us: FloatArray, starts: Starts, flags: FlagArray
    ) -> Columns:
        """Return what the fits of a block say of themselves.

        Parameters
        ----------
        block : ndarray, shape (n, samples), stored type
        start_time_us : ndarray, shape (n,)
            Time of sample 0.
        starts : Starts
            Where each fit begins; when the pulse leaves is settled here.
        flags : ndarray, shape (n,)
        """
        rate, recording = self.recording.sample_rate_mhz, self.recording
        records = Records(
            block,
            float(recording.zero_code),
            (float(recording.clip_low), float(recording.clip_high)),
            min(int(LONGEST_US * rate), block.shape[1]),
        )
        laid = Laid(
            self.bank,
            self.times,
            self.scale,
            self.model.zero_index,
            self.lead,
            rate / self.frequency_mhz,
        )
        begun = starts._replace(zero=(self.delay_us - start_time_us) * rate)
        evidence = Evidence(*(np.empty(len(block)) for _ in Evidence._fields))
        fit_walls(records, begun, laid, self.usual, evidence, flags)
        return self._told(evidence, starts.noise)

    def _told(self, fits: Evidence, noise: FloatArray) -> Columns:
        """Return what fits say of themselves, in µs and mm."""
        slowness = self.operator.slowness_us_per_mm
        return {
            "interval_us": slowness * fits.mm,
            "u_interval_us": slowness * fits.u_mm,
            "left": fits.left,
            "residual_rms": fits.left / self.recording.full_scale,
            "alternative_us": slowness * fits.alternative_mm,
            "alternative_odds": fits.odds,
            "second_late_mm": fits.late_mm,
            "u_second_late_mm": fits.u_late_mm,
            "second_echo_ratio": fits.second,
            "delayed_us": slowness * fits.freed_mm,
            "u_delayed_us": slowness * fits.u_freed_mm,
            "delayed_left": fits.freed_left,
            "delay_us": fits.delay / self.recording.sample_rate_mhz,
            "noise": noise,
            "height": fits.height,
            "top": fits.top,
            "usual_left": fits.usual_left,
            "astray": fits.astray,
        }


def operator_of(model: ApertureModel, frequency_mhz: float) -> ApertureOperator:
    """Return the operator that a calibration learned."""
    _, height, roof, gap, wedge, _, _ = (float(value) for value in model.values)
    geometry = DualGeometry(
        height_mm=height,
        velocity_mm_per_us=wedge,
        roof_deg=roof,
        width_mm=model.width_mm,
        length_mm=model.length_mm,
        gap_mm=gap,
    )
    nominal = ApertureOperator(
        velocity_mm_per_us=2.0 / float(model.values[0]),
        geometry=geometry,
        frequency_mhz=frequency_mhz,
    )
    return nominal.with_values(model.values)
