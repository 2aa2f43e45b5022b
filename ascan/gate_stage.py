"""What one gate gives: place it, condition it, find the echo, time it, check it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from ascan.base.flags import FATAL, Flag
from ascan.checks.blanks import check_blanks
from ascan.checks.low_snr import check_snr
from ascan.checks.other_echo import shares_beside, take_off_forerunners
from ascan.checks.saturation import check_saturation
from ascan.checks.shape import head_reach, write_head_misfits, write_misfits
from ascan.checks.skipped_cycle import weigh_half_cycle
from ascan.finding.clutter import clutter_beside, crests_of_noise
from ascan.finding.echo import COARSE_SAMPLES, find_echoes, half_cycles_between, refuse_unusable
from ascan.finding.half_cycle import SETTLED_ODDS, usual_crests
from ascan.finding.head import HeadGuide, find_heads
from ascan.kernels.analytic import envelope_tops, quadrature_taps
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray, IntArray, SignArray
from ascan.kernels.fir import gaussian_taps, whole_taps
from ascan.kernels.level import bits_of
from ascan.procedure.written import Procedure
from ascan.timing.bands import spectral_spread
from ascan.timing.envelope import FILTER_PERIODS, TOP_PERIODS
from ascan.timing.gating import Gate, place_windows, window_samples
from ascan.timing.matched import noise_gain
from ascan.timing.protocol import EchoRows
from ascan.timing.train import fit_trains
from ascan.waveform.conditioning import MARGIN, condition_rows, working_type
from ascan.waveform.noise import NoiseMeter, noise_correlation
from ascan.waveform.recording import Recording
from ascan.waveform.scan import Scan
from ascan.waveform.template import PLACES, Template, half_length, nominal_template

# Where in a stored sample a held record reached a level is not known: evenly spread over it.
HELD_U_SAMPLES = 1.0 / np.sqrt(12.0)
# The envelope's top is sought this far from the own peak; its quadrature reaches further.
ENVELOPE_PERIODS = TOP_PERIODS + FILTER_PERIODS
# An estimate of the noise in the probe's band scatters by a tenth; white noise seldom reaches this.
COLOURED = 1.6
# What swings as the pulse moves the envelope so many times as far as the carrier (own study).
PHASE_FREE = 4.0
SIGN_OF = {"any": 0, "positive": 1, "negative": -1}
# What a head must exceed of the noise, whatever the procedure's threshold.
HEAD_NOISE = 5.0


@dataclass(slots=True)
class GateEchoes:
    """What one gate gave for a block of n rows; every array has shape (n,)."""

    time_us: FloatArray
    u_time_us: FloatArray
    envelope_us: FloatArray
    u_envelope_us: FloatArray
    amplitude: FloatArray
    snr_db: FloatArray
    clutter: FloatArray
    half_cycle: IntArray
    sign: SignArray
    peak: IntArray
    ahead: FloatArray
    behind: FloatArray
    misfit: FloatArray
    flags: FlagArray
    spacing_us: FloatArray
    u_spacing_us: FloatArray
    hidden_lead_us: FloatArray
    hidden_share: FloatArray

    def noise(self, full_scale: float) -> FloatArray:
        """Return the noise behind each row's ``snr_db``, in codes."""
        # An echo that is not finite has no noise either.
        with np.errstate(invalid="ignore"):
            return np.asarray(np.abs(self.amplitude) * full_scale / 10 ** (self.snr_db / 20.0))


@dataclass(frozen=True, eq=False, slots=True)
class GateStage:
    """Gates bound to a recording; immutable, thread-safe.

    Attributes
    ----------
    guide : HeadGuide
        What is known of the heads to come.
    shift : int
        Heads are timed on the half-cycle so many later than the one that opens them.
    templates : mapping of str to Template
        By gate; the nominal one stands in where none was learned.
    heights : mapping of str to (float, float)
        By gate: least and largest echo the calibration rests on, as fractions of full scale.
    lags_us : mapping of str to float
        By gate: by how much its echoes are timed after the top of their envelope.
    """

    procedure: Procedure
    recording: Recording
    guide: HeadGuide = field(default_factory=HeadGuide)
    shift: int = 0
    templates: Mapping[str, Template] = field(default_factory=dict)
    heights: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    lags_us: Mapping[str, float] = field(default_factory=dict)
    nominal: Template = field(init=False)
    taps: AnyArray = field(init=False)
    search_taps: AnyArray | None = field(init=False)
    search_meter: NoiseMeter | None = field(init=False)
    search_norm: float = field(init=False)
    quadrature: FloatArray = field(init=False)
    meter: NoiseMeter = field(init=False)
    noise_correlation: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        taps = self.procedure.filter.taps(self.recording.sample_rate_mhz)
        taps = taps.astype(working_type(self.recording.dtype))
        object.__setattr__(self, "taps", taps)
        period = self.recording.sample_rate_mhz / self.procedure.probe.frequency_mhz
        meter = NoiseMeter(
            taps,
            self.recording.zero_code,
            self.recording.step,
            period,
            self.recording.rectified,
            self.recording.gated_only,
        )
        object.__setattr__(self, "meter", meter)
        object.__setattr__(self, "noise_correlation", noise_correlation(taps))
        object.__setattr__(self, "nominal", nominal_template(period, self.bandwidth, taps))
        search = self._search_taps()
        object.__setattr__(self, "search_taps", search)
        object.__setattr__(
            self, "search_meter", None if search is None else replace(meter, taps=search)
        )
        norm = 1.0 if search is None else np.linalg.norm(whole_taps(search))
        object.__setattr__(self, "search_norm", float(norm))
        half = int(np.ceil(FILTER_PERIODS * period))
        object.__setattr__(self, "quadrature", quadrature_taps(half))

    def _misfit(
        self,
        gate: Gate,
        trace: AnyArray,
        clock_us: FloatArray,
        peak: IntArray,
        position: FloatArray,
    ) -> tuple[FloatArray, AnyArray]:
        """Return what the usual shape of a gate's echo leaves of each; NaN where none is known.

        And the trace without what of that shape stands ahead of each echo's reach.
        """
        misfit = np.full(len(trace), np.nan)
        if gate.seeks_first_arrival and self.guide.heads_us.size:
            sample_us = 1.0 / self.recording.sample_rate_mhz
            learned = (self.guide.heads, self.guide.heads_us, self.guide.before)
            near = head_reach(self.meter.period)
            top = np.where(np.isfinite(position), peak, -1)
            write_head_misfits(trace, top, clock_us, sample_us, *learned, near, misfit)
            return misfit, trace
        template = self.templates.get(gate.name)
        if template is None or self.recording.rectified:
            return misfit, trace
        # Within an echo's reach, which the trace holds on both sides of the gate.
        half = min(self.reach, template.half)
        middle = slice(template.half - half, template.half + half + 1)
        shapes = np.ascontiguousarray(template.shapes[:, middle], trace.dtype)
        drifts = np.ascontiguousarray(template.drifts[:, middle], trace.dtype)
        height, share = np.empty(len(trace)), np.empty(len(trace))
        write_misfits(trace, position, shapes, drifts, misfit, height, share)
        alone, whole = trace.copy(), (template.shapes, template.drifts)
        take_off_forerunners(alone, position, peak, self.reach, *whole, height, share)
        return misfit, alone

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

    def _search_taps(self) -> AnyArray | None:
        """Return the filter that echoes are sought through where none is timed through.

        As wide as the probe's band, the nominal pulse keeping its height; None where the record is
        filtered, rectified, or too coarse for it.
        """
        rate, frequency = self.recording.sample_rate_mhz, self.procedure.probe.frequency_mhz
        width = self.bandwidth * frequency
        coarse = frequency + 0.5 * width >= 0.5 * rate
        if self.taps.size > 1 or self.recording.rectified or coarse:
            return None
        taps = gaussian_taps(rate, frequency, width)
        whole = whole_taps(taps)
        height = np.convolve(self.nominal.samples, whole, "same").max()
        return np.asarray((taps / height).astype(self.taps.dtype))

    def _span(self, gate: Gate) -> tuple[float, float]:
        """Return the heights of a gate's calibration echoes in codes."""
        low, high = self.heights.get(gate.name, (np.nan, np.nan))
        return low * self.recording.full_scale, high * self.recording.full_scale

    @property
    def bandwidth(self) -> float:
        """The probe's −6 dB bandwidth over its frequency."""
        return 0.01 * self.procedure.probe.bandwidth_percent

    @property
    def reach(self) -> int:
        """One and a half periods, in samples."""
        return int(np.ceil(self.procedure.layout.reach_us * self.recording.sample_rate_mhz))

    def time_gate(
        self,
        gate: Gate,
        window_us: tuple[float, float],
        earlier: Mapping[str, GateEchoes],
        block: AnyArray,
        start_time_us: FloatArray,
        expected_us: FloatArray | None = None,
    ) -> GateEchoes:
        """Return the echoes of one gate.

        Parameters
        ----------
        gate : Gate
        window_us : tuple of float
            Its start and stop, after the transmit pulse or after the followed echo.
        earlier : mapping
            What the gates above gave.
        block : ndarray, shape (n, samples), C-contiguous, in the recording's stored type
        start_time_us : ndarray, shape (n,)
        expected_us : ndarray, shape (n,), optional
            On steps of known thickness: when the echo is expected; the window is after that.
        """
        rows, samples = block.shape
        recording, rate = self.recording, self.recording.sample_rate_mhz
        flags = np.zeros(rows, np.uint32)
        origin_us = np.zeros(rows) if expected_us is None else expected_us
        if gate.follows:
            followed = earlier[gate.follows]
            origin_us = followed.time_us
            flags |= followed.flags & np.uint32(FATAL)
        first, last = np.empty(rows, np.int64), np.empty(rows, np.int64)
        place_windows(origin_us, start_time_us, window_us, rate, samples, first, last, flags)

        # Round an echo that is expected there is little else: its noise is that of the record.
        narrow = expected_us is not None
        begin = np.zeros_like(first) if narrow else first
        end = np.full_like(last, samples) if narrow else last
        noise, noise_slope = self.meter.measure(block, begin, end)
        electronic = noise.copy()
        searched = getattr(gate.timing, "takes_template", False)
        if searched and self.search_meter is not None:
            # A template sees the noise of its own band only; where that is plainly more than white
            # noise would put there (grain is all in the band), that counts.
            inside = self.search_meter.measure(block, begin, end)[0] / self.search_norm
            noise = np.where(inside > COLOURED * noise, inside, noise)

        # Some methods look further round an echo than its reach.
        further = int(np.ceil(getattr(gate.timing, "extra_periods", 0.0) * self.meter.period))
        template = self.templates.get(gate.name, self.nominal)
        further = max(further, int(np.ceil(ENVELOPE_PERIODS * self.meter.period)))
        if searched:
            further += max(template.half, half_length(self.meter.period, self.bandwidth))
        margin = MARGIN + self.reach + further
        width = min(window_samples(window_us, rate), samples)
        trace = np.empty((rows, width + 2 * margin), self.taps.dtype)
        origin = first - margin
        condition_rows(block, recording.zero_code, origin, self.taps, trace)
        search = trace
        if searched and self.search_taps is not None:
            search = np.empty_like(trace)
            condition_rows(block, recording.zero_code, origin, self.search_taps, search)
        first, last = first - origin, last - origin

        found = EchoRows(
            trace=trace,
            first=first,
            last=last,
            begin=np.empty(rows, np.int64),
            peak=np.empty(rows, np.int64),
            sign=np.empty(rows, np.int8),
            counts=self._counting(gate, earlier, rows),
            noise=noise,
            noise_slope=noise_slope,
            noise_correlation=self.noise_correlation,
            full_scale=recording.full_scale,
            period=self.meter.period,
            bandwidth=self.bandwidth,
            template=template,
            span=self._span(gate),
        )
        half_cycle = np.empty(rows, np.int64)
        hidden = (np.full(rows, np.nan), np.full(rows, np.nan))
        record = (-origin, samples - origin)
        clock_us = start_time_us + origin / rate
        self._find(gate, search, found, record, clock_us, half_cycle, hidden, flags)
        settles = getattr(gate.timing, "settles_half_cycle", False)
        if settles and not gate.seeks_first_arrival:
            flags &= ~np.uint32(Flag.HALF_CYCLE_UNSURE)
        clutter = np.empty(rows)
        crests = crests_of_noise(self.reach, self.taps.size > 1, width)
        clutter_beside(trace, first, last, found.peak, noise, self.reach, crests, clutter)
        if gate.seeks_train:
            # What lies beside its echoes is itself.
            clutter[:] = 0.0
        radians = 2.0 * np.pi / self.meter.period
        # A template averages noise of all frequencies, but nothing that swings as its pulse does.
        apart = search is not trace
        if not apart:
            noise[:] = np.hypot(noise, clutter)
            noise_slope[:] = np.hypot(noise_slope, clutter * radians)
        position, u_position = np.full(rows, np.nan), np.full(rows, np.nan)
        spacing, u_spacing = np.full(rows, np.nan), np.full(rows, np.nan)
        if gate.seeks_train:
            self._fit_trains(gate, found, position, u_position, spacing, u_spacing, flags)
        else:
            gate.timing.refine(found, position, u_position, flags)
        envelope, u_envelope = self._envelopes(search, found, noise)
        if gate.name in self.lags_us and gate.seeks_one_echo and not settles:
            tops = (envelope, u_envelope)
            self._settle(gate, found, tops, position, u_position, half_cycle, flags)
        peak, sign = found.peak, found.sign
        if apart:
            height = np.abs(trace[np.arange(rows), np.maximum(peak, 0)])
            share = np.divide(clutter, height, out=np.zeros(rows), where=height > 0.0)
            free = getattr(gate.timing, "phase_free", False)
            u_position = np.hypot(u_position, share * (PHASE_FREE if free else 1.0) / radians)
        if recording.peak_held:
            u_position = np.hypot(u_position, HELD_U_SAMPLES)
        refuse_unusable(peak, first, last, position, u_position, flags)

        has_echo = np.isfinite(position)
        envelope[~has_echo] = np.nan
        top = np.where(has_echo, trace[np.arange(rows), np.maximum(peak, 0)], np.nan)
        place: FloatArray = np.add(position, origin)
        own_peak = np.where(has_echo, (peak + origin).astype(np.float64), np.nan)
        check_saturation(
            block, place, own_peak, self.reach, recording.clip_low, recording.clip_high, flags
        )
        if recording.gated_only:
            check_blanks(block, first + origin, last + origin, place, own_peak, self.reach, flags)
        misfit, alone = self._misfit(gate, trace, clock_us, peak, position)
        ahead, behind = np.empty(rows), np.empty(rows)
        shares_beside(alone, bits_of(alone), first, last, peak, self.reach, ahead, behind)
        snr_db = np.empty(rows)
        check_snr(top, electronic, self.procedure.checks.least_snr_db, snr_db, flags)
        return GateEchoes(
            time_us=start_time_us + place / rate,
            u_time_us=u_position / rate,
            envelope_us=start_time_us + (envelope + origin) / rate,
            u_envelope_us=u_envelope / rate,
            amplitude=top / recording.full_scale,
            snr_db=snr_db,
            clutter=np.where(has_echo, clutter / recording.full_scale, np.nan),
            half_cycle=half_cycle,
            sign=sign,
            peak=np.where(has_echo, peak + origin, -1),
            ahead=ahead,
            behind=behind,
            misfit=misfit,
            flags=flags,
            spacing_us=spacing / rate,
            u_spacing_us=u_spacing / rate,
            hidden_lead_us=hidden[0] / rate,
            hidden_share=hidden[1],
        )

    def _envelopes(
        self, search: AnyArray, found: EchoRows, noise: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return where each echo's envelope has its top, and the uncertainty; NaN where unknown.

        In the trace that echoes are sought in: noise beyond the probe's band moves the top of an
        envelope far more than an echo in it does.
        """
        period, rows = self.meter.period, found.peak.size
        place, u_place = np.full(rows, np.nan), np.full(rows, np.nan)
        if self.recording.rectified:
            return place, u_place
        apart = search is not found.trace
        correlation, norm = self.noise_correlation, 1.0
        if apart and self.search_taps is not None:
            correlation, norm = noise_correlation(self.search_taps), self.search_norm
        slope = noise * (norm * spectral_spread(correlation, period))
        near = int(np.ceil(TOP_PERIODS * period))
        envelope_tops(search, found.peak, near, period, self.quadrature, slope, place, u_place)
        return place, u_place

    def _settle(
        self,
        gate: Gate,
        found: EchoRows,
        tops: tuple[FloatArray, FloatArray],
        position: FloatArray,
        u_position: FloatArray,
        half_cycle: IntArray,
        flags: FlagArray,
    ) -> None:
        """Move picks to the calibration's half-cycle where another one was as high, or flag them.

        ``tops`` are those of the envelopes, and their uncertainties, in samples of the trace.
        """
        lag, period = self.lags_us[gate.name] * self.recording.sample_rate_mhz, self.meter.period
        contested = flags & np.uint32(Flag.HALF_CYCLE_UNSURE) != 0
        late = (position - tops[0] - lag) / period
        crest = np.empty_like(found.peak)
        span = (found.first, found.last, found.counts)
        usual_crests(found.trace, *span, found.peak, late, period, crest)
        rows = np.flatnonzero(crest != found.peak)
        if rows.size:
            part = found.chosen(rows, crest[rows])
            place, u_place = np.full(rows.size, np.nan), np.full(rows.size, np.nan)
            gate.timing.refine(part, place, u_place, np.zeros(rows.size, np.uint32))
            nearer = np.abs((place - tops[0][rows] - lag) / period) < np.abs(late[rows])
            for row, k in zip(rows[nearer], np.flatnonzero(nearer), strict=True):
                top, own = crest[row], found.peak[row]
                half_cycle[row] += half_cycles_between(found.trace[row], own, top)
                found.peak[row], found.sign[row] = top, part.sign[k]
                position[row], u_position[row] = place[k], u_place[k]
            contested[rows[nearer]] = True
        odds, unused = np.empty(late.size), np.empty(late.size)
        weigh_half_cycle(position, tops[0], lag, period, tops[1], odds, unused)
        unsure = contested & ~(odds >= SETTLED_ODDS)
        bit = np.uint32(Flag.HALF_CYCLE_UNSURE)
        flags[:] = np.where(unsure, flags | bit, flags & ~bit)

    def _fit_trains(
        self,
        gate: Gate,
        found: EchoRows,
        position: FloatArray,
        u_position: FloatArray,
        spacing: FloatArray,
        u_spacing: FloatArray,
        flags: FlagArray,
    ) -> None:
        """Fit the train of echoes in each row's gate."""
        template = found.template
        slope = template.slopes[PLACES // 2]
        per_mm = 2.0 / self.procedure.material.velocity_mm_per_us * self.recording.sample_rate_mhz
        # The own peak says where the train is strong; where it begins, the fit says.
        flags &= ~np.uint32(Flag.HALF_CYCLE_UNSURE)
        fit_trains(
            found.trace,
            found.first,
            found.last,
            found.noise,
            (template.shapes, template.slopes),
            (gate.least_spacing_mm * per_mm, gate.most_spacing_mm * per_mm),
            found.period,
            noise_gain(slope, found.noise_correlation) / float(np.linalg.norm(slope)),
            position,
            u_position,
            spacing,
            u_spacing,
            flags,
        )

    def _find(
        self,
        gate: Gate,
        search: AnyArray,
        found: EchoRows,
        record: tuple[IntArray, IntArray],
        clock_us: FloatArray,
        half_cycle: IntArray,
        hidden: tuple[FloatArray, FloatArray],
        flags: FlagArray,
    ) -> None:
        """Find the echo of each row in the trace ``search``.

        ``clock_us`` is the time of each trace's first sample; ``hidden`` are the last but one that
        `find_heads` writes.
        """
        height = (gate.threshold or 0.0) * self.recording.full_scale
        if gate.seeks_first_arrival:
            find_heads(
                found.trace,
                found.first,
                found.last,
                found.noise,
                np.maximum(height, HEAD_NOISE * found.noise),
                clock_us,
                1.0 / self.recording.sample_rate_mhz,
                self.guide.arrays(),
                found.counts,
                self.reach,
                self.shift,
                record,
                found.begin,
                found.peak,
                found.sign,
                half_cycle,
                *hidden,
                flags,
            )
            return
        threshold = search.dtype.type(height)
        filtered = self.taps.size > 1 or search is not found.trace
        find_echoes(
            search,
            bits_of(search),
            found.first,
            found.last,
            int(bits_of(np.array(threshold))),
            found.counts,
            gate.echo == "first",
            self.reach,
            self.meter.period < COARSE_SAMPLES and filtered,
            found.noise,
            record,
            found.begin,
            found.peak,
            found.sign,
            half_cycle,
            flags,
        )

    def _counting(self, gate: Gate, earlier: Mapping[str, GateEchoes], rows: int) -> SignArray:
        """Return which half-cycles count in each row: +1, -1, or 0 for any."""
        if gate.half_cycles == "any" and gate.seeks_first_arrival:
            return np.full(rows, self.guide.polarity, np.int8)
        if gate.half_cycles in SIGN_OF:
            return np.full(rows, SIGN_OF[gate.half_cycles], np.int8)
        followed = earlier[gate.follows].sign
        return followed if gate.half_cycles == "same" else -followed
