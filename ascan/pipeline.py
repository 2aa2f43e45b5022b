"""The one block loop: rows of waveforms through all stages, a block at a time.

A stage is a compiled function over a block of rows that writes its columns and ORs its flags; one
waveform is a block of one. Nothing flows back up.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from ascan.arrays import AnyArray, FlagArray, FloatArray, SignArray
from ascan.calibration.record import Calibration
from ascan.conditioning import MARGIN, condition_rows, working_type
from ascan.errors import fault
from ascan.flags import FATAL, Flag, is_fatal
from ascan.gating import Gate, place_windows, window_samples
from ascan.health.blanks import check_blanks
from ascan.health.earlier_echo import CLEAR_PERIODS, NEAR_PERIODS, SHARES, check_earlier
from ascan.health.finite import check_finite
from ascan.health.low_snr import check_snr
from ascan.health.ranges import check_ranges
from ascan.health.saturation import check_saturation
from ascan.health.surface_repeat import check_repeat
from ascan.health.uneven_echoes import check_spacing
from ascan.interval import take_intervals
from ascan.kernels.level import bits_of
from ascan.noise import NoiseMeter, noise_correlation
from ascan.procedure import Procedure
from ascan.readings import GATE_COLUMNS, RESULT_COLUMNS, gate_column, gate_columns
from ascan.recording import Recording
from ascan.scan import Progress, Scan
from ascan.thickness import to_thickness
from ascan.timing.echo import find_echoes, refuse_unusable
from ascan.timing.protocol import EchoRows

Columns = dict[str, AnyArray]

# Some hundred rows amortise the calls; more gained nothing (benches/speed.py).
BLOCK_BYTES = 2**21
# Where in a stored sample a held record reached a level is not known: evenly spread over it.
HELD_U_SAMPLES = 1.0 / np.sqrt(12.0)
SIGN_OF = {"any": 0, "positive": 1, "negative": -1}


@dataclass(slots=True)
class GateEchoes:
    """What one gate gave for a block of n rows; every array has shape (n,)."""

    time_us: FloatArray
    u_time_us: FloatArray
    amplitude: FloatArray
    snr_db: FloatArray
    sign: SignArray
    flags: FlagArray


@dataclass(frozen=True, eq=False, slots=True)
class Pipeline:
    """A procedure bound to a recording, with or without a calibration; immutable, thread-safe."""

    procedure: Procedure
    recording: Recording
    calibration: Calibration | None = None
    taps: AnyArray = field(init=False)
    meter: NoiseMeter = field(init=False)
    noise_correlation: FloatArray = field(init=False)
    weights: FloatArray = field(init=False)
    surface: str = field(init=False)

    def __post_init__(self) -> None:
        for name, given, wanted in (
            ("procedure", self.procedure, Procedure),
            ("calibration", self.calibration, (Calibration, type(None))),
        ):
            if not isinstance(given, wanted):
                raise fault(name, f"is of type {type(given).__name__}", remedy=f"load the {name}")
        self.procedure.check_recording(self.recording)
        if self.calibration is not None:
            self.calibration.check_signature(self.procedure.signature(self.recording))
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
        object.__setattr__(self, "weights", self.procedure.interval.weights())
        object.__setattr__(self, "surface", _surface_gate(self.procedure))

    @property
    def reach(self) -> int:
        """One and a half periods, in samples."""
        return int(np.ceil(self.procedure.reach_us * self.recording.sample_rate_mhz))

    def run(self, block: AnyArray, start_time_us: FloatArray) -> Columns:
        """Take a block through all stages.

        Parameters
        ----------
        block : ndarray, shape (n, samples), C-contiguous, in the recording's stored type
        start_time_us : ndarray, shape (n,)

        Returns
        -------
        columns : dict of ndarray, each of shape (n,)
        """
        rows = len(block)
        flags = np.zeros(rows, np.uint32)
        if block.dtype.kind == "f":
            check_finite(block, flags)
        echoes: dict[str, GateEchoes] = {}
        for gate in self.procedure.gates:
            echoes[gate.name] = self._time_gate(gate, echoes, block, start_time_us)
        for name in self.procedure.interval.gates:
            flags |= echoes[name].flags
        self._check_train(echoes, flags)
        self._check_earlier(block, start_time_us, echoes, flags)
        columns = self._take_interval(echoes, flags)
        for name, found in echoes.items():
            for suffix in GATE_COLUMNS:
                columns[gate_column(name, suffix)] = getattr(found, suffix)
        return columns

    def _time_gate(
        self,
        gate: Gate,
        earlier: Mapping[str, GateEchoes],
        block: AnyArray,
        start_time_us: FloatArray,
    ) -> GateEchoes:
        """Place the gate, condition it, find the echo, time it, check it."""
        rows, samples = block.shape
        recording, rate = self.recording, self.recording.sample_rate_mhz
        flags = np.zeros(rows, np.uint32)
        origin_us = np.zeros(rows)
        if gate.follows:
            followed = earlier[gate.follows]
            origin_us = followed.time_us
            flags |= followed.flags & np.uint32(FATAL)
        window_us = self.window_us(gate)
        first, last = np.empty(rows, np.int64), np.empty(rows, np.int64)
        place_windows(origin_us, start_time_us, window_us, rate, samples, first, last, flags)

        noise, noise_slope = self.meter.measure(block, first, last)

        margin = MARGIN + self.reach
        width = min(window_samples(window_us, rate), samples)
        trace = np.empty((rows, width + 2 * margin), self.taps.dtype)
        origin = first - margin
        condition_rows(block, recording.zero_code, origin, self.taps, trace)
        first, last = first - origin, last - origin

        counts = _counting(gate, earlier, rows)
        begin, peak = np.empty(rows, np.int64), np.empty(rows, np.int64)
        sign = np.empty(rows, np.int8)
        threshold = trace.dtype.type(gate.threshold * recording.full_scale)
        find_echoes(
            trace,
            bits_of(trace),
            first,
            last,
            int(bits_of(np.array(threshold))),
            counts,
            gate.echo == "first",
            self.reach,
            noise,
            (-origin, samples - origin),
            begin,
            peak,
            sign,
            flags,
        )
        found = EchoRows(
            trace=trace,
            first=first,
            last=last,
            begin=begin,
            peak=peak,
            sign=sign,
            counts=counts,
            noise=noise,
            noise_slope=noise_slope,
            noise_correlation=self.noise_correlation,
            full_scale=recording.full_scale,
            period=self.meter.period,
        )
        position, u_position = np.full(rows, np.nan), np.full(rows, np.nan)
        gate.timing.refine(found, position, u_position, flags)
        if recording.peak_held:
            u_position = np.hypot(u_position, HELD_U_SAMPLES)
        refuse_unusable(peak, first, last, position, u_position, flags)

        has_echo = np.isfinite(position)
        top = np.where(has_echo, trace[np.arange(rows), np.maximum(peak, 0)], np.nan)
        place: FloatArray = np.add(position, origin)
        own_peak = np.where(has_echo, (peak + origin).astype(np.float64), np.nan)
        check_saturation(
            block, place, own_peak, self.reach, recording.clip_low, recording.clip_high, flags
        )
        if recording.gated_only:
            check_blanks(block, first + origin, last + origin, place, own_peak, self.reach, flags)
        snr_db = np.empty(rows)
        check_snr(top, noise, self.procedure.checks.least_snr_db, snr_db, flags)
        return GateEchoes(
            time_us=start_time_us + place / rate,
            u_time_us=u_position / rate,
            amplitude=top / recording.full_scale,
            snr_db=snr_db,
            sign=sign,
            flags=flags,
        )

    def window_us(self, gate: Gate) -> tuple[float, float]:
        """Return a gate's start and stop in µs; its mm by calibration, else by nominal values."""
        velocity = self.procedure.material.velocity_mm_per_us
        if self.calibration is not None:
            velocity = self.calibration.velocity_mm_per_us
        return gate.window_us(self._time_zero_us(), velocity)

    def _check_train(self, echoes: Mapping[str, GateEchoes], flags: FlagArray) -> None:
        """Check the wall echoes that were used against each other and against the surface echo."""
        interval, probe = self.procedure.interval, self.procedure.probe
        walls = [name for name in interval.gates if name != self.surface]
        surface_us = echoes[self.surface].time_us if self.surface else np.full(len(flags), np.nan)
        if interval.mode == "echo_to_echo":
            times = np.stack([echoes[name].time_us for name in walls])
            check_spacing(surface_us, times, 1.0 / probe.frequency_mhz, flags)
        for name in walls:
            check_repeat(
                surface_us, echoes[name].time_us, probe.delay_us, self.procedure.reach_us, flags
            )

    def _check_earlier(
        self,
        block: AnyArray,
        start_time_us: FloatArray,
        echoes: Mapping[str, GateEchoes],
        flags: FlagArray,
    ) -> None:
        """Look for an echo at a half and a third of every interval between echoes that are used."""
        recording = self.recording
        period_us = 1.0 / self.procedure.probe.frequency_mhz
        near = int(np.ceil(NEAR_PERIODS * self.meter.period))
        trace = np.empty((len(flags), 2 * near + 1), self.taps.dtype)
        begin_us = np.full(len(flags), self._time_zero_us())
        for name in self.procedure.interval.gates:
            echo = echoes[name]
            if name != self.surface:
                for share in SHARES:
                    ahead_us = (echo.time_us - begin_us) / share
                    middle = (begin_us + ahead_us - start_time_us) * recording.sample_rate_mhz
                    index = np.nan_to_num(middle, nan=0.0, posinf=0.0, neginf=0.0)
                    origin = np.rint(index).astype(np.int64) - near
                    condition_rows(block, recording.zero_code, origin, self.taps, trace)
                    height = echo.amplitude * recording.full_scale
                    check_earlier(trace, ahead_us, CLEAR_PERIODS * period_us, height, flags)
            begin_us = echo.time_us

    def _time_zero_us(self) -> float:
        """Return when the sound left the probe: calibrated, else nominal."""
        if self.calibration is not None and self.calibration.mode == "time_zero_to_echo":
            return self.calibration.zero_us
        return self.procedure.probe.delay_us

    def _take_interval(self, echoes: Mapping[str, GateEchoes], flags: FlagArray) -> Columns:
        """Return interval, thickness, uncertainties and flags of a block."""
        rows = len(flags)
        used = [echoes[name] for name in self.procedure.interval.gates]
        interval, u_interval = np.empty(rows), np.empty(rows)
        take_intervals(
            np.stack([echo.time_us for echo in used]),
            np.stack([echo.u_time_us for echo in used]),
            self.weights,
            interval,
            u_interval,
        )
        columns: Columns = {}
        if self.calibration is not None:
            columns = self._to_thickness(self.calibration, interval, u_interval, flags)
        fatal = is_fatal(flags)
        interval[fatal] = np.nan
        u_interval[fatal] = np.nan
        return columns | {"interval_us": interval, "u_interval_us": u_interval, "flags": flags}

    def _to_thickness(
        self, fit: Calibration, interval: FloatArray, u_interval: FloatArray, flags: FlagArray
    ) -> Columns:
        rows = len(flags)
        thickness, u_random, u_common = np.empty(rows), np.empty(rows), np.empty(rows)
        to_thickness(
            interval,
            u_interval,
            fit.zero_us,
            fit.velocity_mm_per_us,
            fit.covariance,
            fit.repeatability_us,
            fit.lack_of_fit_us,
            thickness,
            u_random,
            u_common,
            flags,
        )
        if fit.is_in_doubt:
            flags |= np.uint32(Flag.CALIBRATION_IN_DOUBT)
        u = np.hypot(u_random, u_common)
        span = self.procedure.range
        check_ranges(
            thickness, u, (fit.minimum_mm, fit.maximum_mm), (span.min_mm, span.max_mm), flags
        )
        return {
            "thickness_mm": thickness,
            "u_mm": u,
            "u_random_mm": u_random,
            "u_common_mm": u_common,
        }

    def walk(self, scan: Scan, progress: Progress | None = None) -> Iterator[tuple[slice, Columns]]:
        """Yield (rows, columns) for the scan's blocks in order; columns of the scan included."""
        samples = scan.shape[1]
        per_row = samples * scan.rows.dtype.itemsize
        size = int(min(2048, max(64, BLOCK_BYTES // per_row)))
        self._check_columns(scan)
        for rows, block in scan.blocks(size):
            found = self.run(block, scan.start_time_us[rows])
            kept = {name: column[rows] for name, column in scan.columns.items()}
            yield rows, kept | found
            if progress is not None:
                progress(rows.stop, len(scan))

    def _check_columns(self, scan: Scan) -> None:
        """Refuse a scan whose columns are called like those of the readings."""
        taken = set(RESULT_COLUMNS)
        for gate in self.procedure.gates:
            taken |= set(gate_columns(gate.name))
        for name in taken & set(scan.columns):
            raise fault(
                f"{scan.name}: column '{name}'",
                "is called like a column of the readings",
                remedy="rename it, or the gate",
            )


def _surface_gate(procedure: Procedure) -> str:
    """Return the name of the gate that holds the surface echo, or "".

    Interface to echo, it is the first gate of the interval; else, with a delay line or in
    immersion, a gate that the first used one follows directly.
    """
    interval = procedure.interval
    if interval.mode == "interface_to_echo":
        return interval.gates[0]
    if procedure.probe.arrangement == "contact":
        return ""
    return procedure.gate(interval.gates[0]).follows


def _counting(gate: Gate, earlier: Mapping[str, GateEchoes], rows: int) -> SignArray:
    """Return which half-cycles count in each row: +1, -1, or 0 for any."""
    if gate.half_cycles in SIGN_OF:
        return np.full(rows, SIGN_OF[gate.half_cycles], np.int8)
    followed = earlier[gate.follows].sign
    return followed if gate.half_cycles == "same" else -followed
