"""What one gate gives: place it, condition it, find the echo, time it, check it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from ascan.base.flags import Flag
from ascan.echo.bound import Search, Setting, Taught, search_of
from ascan.echo.cycle import Timed, settle_cycles, tops_of_envelopes
from ascan.echo.placing import Placed, Shots, place_gate
from ascan.echo.shape import shape_left
from ascan.finding.clutter import clutter_beside, crests_of_noise
from ascan.finding.echo import COARSE_SAMPLES, Choice, find_echoes, refuse_unusable
from ascan.finding.echoes import GateEchoes, Spacing
from ascan.finding.first_arrival import Sought, find_first_arrivals
from ascan.finding.rows import Found, Masked
from ascan.finding.seen import GateSeen
from ascan.kernels.analytic import quadrature_taps
from ascan.kernels.arrays import AnyArray, Columns, FlagArray, FloatArray, IntArray
from ascan.kernels.level import bits_of
from ascan.timing.bands import spectral_spread
from ascan.timing.envelope import FILTER_PERIODS
from ascan.timing.gating import Gate, forgive_late_cuts
from ascan.timing.matched import noise_gain
from ascan.timing.protocol import EchoRows
from ascan.timing.rows import Picks
from ascan.timing.train import Model, TrainPicks, fit_trains
from ascan.waveform.conditioning import condition_rows, working_type
from ascan.waveform.noise import NoiseMeter, noise_correlation
from ascan.waveform.recording import Recording
from ascan.waveform.scan import Scan
from ascan.waveform.template import PLACES, Template, nominal_template

# Where in a stored sample a held record reached a level is not known: evenly spread over it.
HELD_U_SAMPLES = 1.0 / np.sqrt(12.0)
# What swings as the pulse moves the envelope so many times as far as the carrier (own study).
PHASE_FREE = 4.0
# What a first arrival must exceed of the noise, whatever the procedure's threshold.
ARRIVAL_NOISE = 5.0


# Judges an echo that was found and timed: sets flags, returns what it measured, by column.
Judge = Callable[[GateSeen, FlagArray], Columns]


def unjudged(seen: GateSeen, flags: FlagArray) -> Columns:
    """Return nothing: of echoes that nobody doubts."""
    return {}


@dataclass(frozen=True, eq=False, slots=True)
class GateStage:
    """Gates bound to a recording; immutable, thread-safe."""

    setting: Setting
    recording: Recording
    taught: Taught = field(default_factory=Taught)
    taps: AnyArray = field(init=False)
    meter: NoiseMeter = field(init=False)
    nominal: Template = field(init=False)
    search: Search | None = field(init=False)
    quadrature: FloatArray = field(init=False)
    noise_correlation: FloatArray = field(init=False)
    spread: float = field(init=False)

    def __post_init__(self) -> None:
        recording, setting = self.recording, self.setting
        taps = setting.filter.taps(recording.sample_rate_mhz)
        taps = taps.astype(working_type(recording.dtype))
        period = recording.sample_rate_mhz / setting.probe.frequency_mhz
        meter = NoiseMeter(
            taps,
            recording.zero_code,
            recording.step,
            period,
            recording.rectified,
            recording.gated_only,
        )
        nominal = nominal_template(period, setting.bandwidth, taps)
        made = {
            "taps": taps,
            "meter": meter,
            "nominal": nominal,
            "search": search_of(setting, recording, meter, nominal),
            "quadrature": quadrature_taps(int(np.ceil(FILTER_PERIODS * period))),
            "noise_correlation": noise_correlation(taps),
            "spread": spectral_spread(noise_correlation(taps), period),
        }
        for name, value in made.items():
            object.__setattr__(self, name, value)

    @property
    def rate(self) -> float:
        """Samples in a µs."""
        return self.recording.sample_rate_mhz

    @property
    def reach(self) -> int:
        """One and a half periods, in samples."""
        return int(np.ceil(self.setting.layout.reach_us * self.rate))

    def template(self, gate: str) -> Template:
        """Return what an echo of a gate looks like: learned, else nominal."""
        return self.taught.templates.get(gate, self.nominal)

    def cut(self, scan: Scan, rows: IntArray, origin: IntArray, width: int) -> FloatArray:
        """Return conditioned samples of a scan's rows, from each row's ``origin`` on.

        Parameters
        ----------
        rows, origin : ndarray, shape (n,)
            Numbers of the rows, and the first sample of each; it may lie outside the record.

        Returns
        -------
        samples : ndarray, shape (n, width)
            In codes from zero.
        """
        out = np.empty((rows.size, width), self.taps.dtype)
        for k, row in enumerate(rows):
            block = scan.rows.read_block(int(row), int(row) + 1)
            condition_rows(
                block, self.recording.zero_code, origin[k : k + 1], self.taps, out[k : k + 1]
            )
        return out.astype(np.float64)

    def time_gate(
        self,
        gate: Gate,
        window_us: tuple[float, float],
        earlier: Mapping[str, GateEchoes],
        shots: Shots,
        judge: Judge = unjudged,
    ) -> GateEchoes:
        """Return the echoes of one gate.

        Parameters
        ----------
        gate : Gate
        window_us : tuple of float
            Its start and stop, after the transmit pulse or after the followed echo.
        earlier : mapping
            What the gates above gave.
        shots : Shots
        judge : callable
            What speaks against each echo, and what that measures.
        """
        placed = place_gate(self, gate, window_us, earlier, shots)
        rows, trace = len(shots.block), placed.trace
        found = Found(
            begin=np.empty(rows, np.int64),
            peak=np.empty(rows, np.int64),
            sign=np.empty(rows, np.int8),
            half_cycle=np.empty(rows, np.int64),
        )
        masked = Masked(np.full(rows, np.nan), np.full(rows, np.nan))
        self._find(gate, placed, found, masked)
        clutter = self._clutter(gate, placed, found.peak)
        echoes, train = self._rows_of(gate, placed, found), self._fitted_trains(gate, placed)
        picks = Picks(train.position, train.u_position)
        if not gate.seeks_train:
            picks = gate.timing.refine(echoes, placed.flags)
        if gate.seeks_first:
            forgive_late_cuts(found.peak, placed.recorded_us, placed.flags)
        tops = tops_of_envelopes(self, placed, found.peak)
        resolves = gate.timing.traits.resolves_cycle
        if gate.name in self.taught.cycle_offset_us and gate.seeks_one_echo and not resolves:
            settle_cycles(self, gate, placed, found, Timed(echoes, picks, tops))
        picks = self._widened(gate, placed, found.peak, clutter, picks)
        refuse_unusable(found.peak, trace.first, trace.last, *picks, placed.flags)
        tops.place[~np.isfinite(picks.position)] = np.nan
        shape_residual, alone = shape_left(self, gate, placed, found.peak, picks.position)
        seen = GateSeen(
            trace=trace,
            alone=alone,
            origin=placed.origin,
            peak=found.peak,
            position=picks.position,
            electronic=placed.electronic,
        )
        measured = judge(seen, placed.flags)
        return GateEchoes(
            time_us=self._time_us(picks.position, placed, shots),
            u_time_us=picks.u_position / self.rate,
            envelope_us=self._time_us(tops.place, placed, shots),
            u_envelope_us=tops.u_place / self.rate,
            amplitude=seen.top / self.recording.full_scale,
            clutter=np.where(seen.has_echo, clutter / self.recording.full_scale, np.nan),
            half_cycle=found.half_cycle,
            sign=found.sign,
            peak=np.where(seen.has_echo, found.peak + placed.origin, -1),
            shape_residual=shape_residual,
            flags=placed.flags,
            spacing=Spacing(train.spacing / self.rate, train.u_spacing / self.rate),
            masked=Masked(masked.lead / self.rate, masked.share),
            measured=measured,
        )

    def _time_us(self, place: FloatArray, placed: Placed, shots: Shots) -> FloatArray:
        """Return when samples of the traces were taken."""
        return shots.start_time_us + (place + placed.origin) / self.rate

    def _find(self, gate: Gate, placed: Placed, found: Found, masked: Masked) -> None:
        """Find the echo of each row, and say whether its half-cycle is sure."""
        trace, flags = placed.trace, placed.flags
        height = (gate.threshold or 0.0) * self.recording.full_scale
        if gate.seeks_first_arrival:
            sought = Sought(
                floor=np.maximum(height, ARRIVAL_NOISE * trace.noise),
                clock_us=placed.clock_us,
                sample_us=1.0 / self.rate,
                reach=self.reach,
                cycle_shift=self.taught.cycle_shift,
            )
            guide = self.taught.guide.arrays()
            find_first_arrivals(trace, sought, guide, found, masked, flags)
            return
        threshold = placed.search.dtype.type(height)
        filtered = self.taps.size > 1 or placed.searched_apart
        choice = Choice(
            threshold_bits=int(bits_of(np.array(threshold))),
            want_first=gate.echo == "first",
            reach=self.reach,
            dense=self.meter.period < COARSE_SAMPLES and filtered,
        )
        sought_in = trace._replace(samples=placed.search)
        find_echoes(sought_in, bits_of(placed.search), choice, found, flags)
        # The echo peak says where a train is strong; where it begins, the fit says.
        if gate.timing.traits.resolves_cycle or gate.seeks_train:
            flags &= ~np.uint32(Flag.CYCLE_UNCERTAIN)

    def _clutter(self, gate: Gate, placed: Placed, peak: IntArray) -> FloatArray:
        """Return what lies beside each echo beyond noise; it joins the noise that moves a time.

        Not where a template averages noise of all frequencies: that averages nothing that swings as
        its pulse does (`_widened`).
        """
        trace, clutter = placed.trace, np.empty(len(peak))
        # Without the margins: what the window holds.
        crests = crests_of_noise(self.reach, self.taps.size > 1, placed.width)
        clutter_beside(trace, peak, self.reach, crests, clutter)
        if gate.seeks_train:
            # What lies beside its echoes is itself.
            clutter[:] = 0.0
        if not placed.searched_apart:
            radians = 2.0 * np.pi / self.meter.period
            trace.noise[:] = np.hypot(trace.noise, clutter)
            placed.noise_slope[:] = np.hypot(placed.noise_slope, clutter * radians)
        return clutter

    def _rows_of(self, gate: Gate, placed: Placed, found: Found) -> EchoRows:
        """Return the found echoes as a timing method gets to see them."""
        trace, full_scale = placed.trace, self.recording.full_scale
        low, high = self.taught.amplitude_range.get(gate.name, np.full(2, np.nan))
        return EchoRows(
            trace=trace.samples,
            first=trace.first,
            last=trace.last,
            begin=found.begin,
            peak=found.peak,
            sign=found.sign,
            counts=trace.counts,
            noise=trace.noise,
            noise_slope=placed.noise_slope,
            noise_correlation=self.noise_correlation,
            full_scale=full_scale,
            period=self.meter.period,
            bandwidth=self.setting.bandwidth,
            template=self.template(gate.name),
            span=(low * full_scale, high * full_scale),
        )

    def _fitted_trains(self, gate: Gate, placed: Placed) -> TrainPicks:
        """Return begin and spacing of the train in each row's gate; NaN where none is sought."""
        picks = TrainPicks(*(np.full(len(placed.flags), np.nan) for _ in range(4)))
        if not gate.seeks_train:
            return picks
        template = self.template(gate.name)
        slope = template.slopes[PLACES // 2]
        per_mm = 2.0 / self.setting.velocity_mm_per_us * self.rate
        train = Model(
            bank=(template.shapes, template.slopes),
            spacings=(gate.min_spacing_mm * per_mm, gate.max_spacing_mm * per_mm),
            period=self.meter.period,
            colour=noise_gain(slope, self.noise_correlation) / float(np.linalg.norm(slope)),
        )
        fit_trains(placed.trace, train, picks, placed.flags)
        return picks

    def _widened(
        self, gate: Gate, placed: Placed, peak: IntArray, clutter: FloatArray, picks: Picks
    ) -> Picks:
        """Return picks whose uncertainty holds clutter that a template does not average, and holds.

        A held record reached a level somewhere in its stored sample.
        """
        position, u_position = picks
        if placed.searched_apart:
            radians = 2.0 * np.pi / self.meter.period
            height = np.abs(placed.trace.samples[np.arange(peak.size), np.maximum(peak, 0)])
            share = np.divide(clutter, height, out=np.zeros(peak.size), where=height > 0.0)
            times = PHASE_FREE if gate.timing.traits.phase_free else 1.0
            u_position = np.hypot(u_position, share * times / radians)
        if self.recording.peak_held:
            u_position = np.hypot(u_position, HELD_U_SAMPLES)
        return Picks(position, u_position)
