"""From a scenario to waveforms.

The same scenario gives the same bytes, however it is read: waveforms are made in chunks of fixed
size, each with its own random stream.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.fft import next_fast_len

from ascan_synthetic import electronics
from ascan_synthetic.electronics import IntCodes
from ascan_synthetic.layers import IntArray
from ascan_synthetic.pulse import FloatArray, Pulse
from ascan_synthetic.response import Band, Place, Response
from ascan_synthetic.setting import path_medium, pulse_of, response_of, walls_of
from ascan_synthetic.tables import ReceiverTable, RecordTable, Scenario
from ascan_synthetic.walls import Footprints

CHUNK_ROWS = 250
# Frequencies at which the pulse is weaker than this part of its strongest are left out.
WEAKEST = 1e-7


@dataclass(frozen=True, eq=False, slots=True)
class Synthesis:
    """A scenario worked out: places and truth of all waveforms, and the waveforms on demand.

    Attributes
    ----------
    x_mm, y_mm : ndarray, shape (n,)
        Where the encoder says each waveform was taken.
    footprints : Footprints
        What each beam sees, and the truth.
    channel : ndarray, shape (n,)
    trigger_us : ndarray, shape (n,)
        By how much each record begins early: the probe's delay, the shifts and the jitter of its
        shot and channel.
    """

    scenario: Scenario
    x_mm: FloatArray = field(init=False)
    y_mm: FloatArray = field(init=False)
    footprints: Footprints = field(init=False)
    channel: IntArray = field(init=False)
    trigger_us: FloatArray = field(init=False)
    response: Response = field(init=False)
    pulse: Pulse = field(init=False)

    def __post_init__(self) -> None:
        x, y, footprints = walls_of(self.scenario)
        channel, trigger_us = _triggers(self.scenario, len(x))
        for name, value in (
            ("x_mm", x),
            ("y_mm", y),
            ("footprints", footprints),
            ("channel", channel),
            ("trigger_us", trigger_us),
            ("response", response_of(self.scenario)),
            ("pulse", pulse_of(self.scenario.probe)),
        ):
            object.__setattr__(self, name, value)

    def __len__(self) -> int:
        return len(self.x_mm)

    @property
    def dtype(self) -> np.dtype[Any]:
        """Stored type of a sample."""
        record = self.scenario.record
        return electronics.digitise(np.zeros((0, 0)), record.bits, record.zero_code).dtype

    @property
    def full_scale(self) -> float:
        """Codes from zero to the top rail."""
        return float(2 ** (self.scenario.record.bits - 1))

    def waveforms(self, start: int = 0, stop: int | None = None) -> IntCodes:
        """Return the stored codes of waveforms start..stop, shape (stop − start, samples)."""
        last = len(self) if stop is None else stop
        chunks = range(start // CHUNK_ROWS, -(-last // CHUNK_ROWS))
        whole = np.concatenate([self._chunk(chunk) for chunk in chunks])
        first = chunks.start * CHUNK_ROWS
        return np.asarray(whole[start - first : last - first])

    def truth_columns(self) -> dict[str, FloatArray | IntArray]:
        """Return truth and position of every waveform, by column name."""
        truth = self.footprints.truth
        channels = {"channel": self.channel} if self.scenario.receiver.channels > 1 else {}
        return {
            **channels,
            "x_mm": self.x_mm,
            "y_mm": self.y_mm,
            "true_axis_mm": truth.axis_mm,
            "true_least_mm": truth.least_mm,
            "true_mean_mm": truth.mean_mm,
            "true_most_mm": truth.most_mm,
        }

    def _chunk(self, number: int) -> IntCodes:
        """Return one chunk of waveforms; its random stream is its own."""
        rows = slice(number * CHUNK_ROWS, min((number + 1) * CHUNK_ROWS, len(self)))
        rng = np.random.default_rng([self.scenario.seed, number])
        record, receiver = self.scenario.record, self.scenario.receiver
        count = rows.stop - rows.start
        time_us = record.start_us + np.arange(record.samples) / record.sample_rate_mhz
        signal = self._clean(rows, time_us, rng)
        level = 10.0 ** (receiver.gain_spread_db * rng.uniform(-1.0, 1.0, (count, 1)) / 20.0)
        signal = receiver.gain * level * signal
        if receiver.inverted:
            signal *= np.where(rng.random((count, 1)) < receiver.inverted, -1.0, 1.0)
        if receiver.time_gain_db_per_us:
            signal = electronics.time_gain(
                signal, time_us, receiver.time_gain_db_per_us, receiver.time_gain_from_us
            )
        signal = signal + self._additions(count, time_us, rng)
        if receiver.soft_clip:
            signal = electronics.soft_clip(signal, receiver.soft_clip)
        if record.rectified:
            signal = electronics.rectified(signal)
        if record.held_samples:
            signal = electronics.peak_held(signal, record.held_samples)
        codes = electronics.digitise(signal, record.bits, record.zero_code)
        return _faulty(codes, receiver, record, rng)

    def _clean(self, rows: slice, time_us: FloatArray, rng: np.random.Generator) -> FloatArray:
        """Return the noise-free signals of a chunk, grain included, of unit gain."""
        probe, receiver = self.scenario.probe, self.scenario.receiver
        count = rows.stop - rows.start
        path_mm = probe.path_mm + probe.path_wander_mm * rng.uniform(-1.0, 1.0, count)
        coupling = np.where(rng.random(count) < receiver.lost_coupling, 0.0, 1.0)
        place = Place(self.footprints.depth_mm[rows], self.footprints.weight, path_mm, coupling)
        delay_us = self.trigger_us[rows] + 1e-3 * receiver.channel_jitter_ns * rng.standard_normal(
            count
        )
        signal = self._record(place, delay_us, time_us, 0.0)
        if receiver.previous_us:
            signal = signal + self._record(place, delay_us, time_us, receiver.previous_us)
        if receiver.grain:
            signal = signal + self._grain(path_mm, delay_us, time_us, rng)
        return signal

    def _record(
        self, place: Place, delay_us: FloatArray, time_us: FloatArray, later_us: float
    ) -> FloatArray:
        """Return what arrives in the record of a transmit pulse that left ``later_us`` before."""
        rate, samples = self.scenario.record.sample_rate_mhz, time_us.size
        start_us = float(time_us[0]) + later_us
        reach_us = self.pulse.lead_us + self.pulse.tail_us
        end_us = start_us + samples / rate + reach_us
        probing = Band(np.ones(1), end_us)
        whole_us = (self.response.rounds(probing, place) + 1) * end_us + max(start_us, 0.0)
        size = int(next_fast_len(int(np.ceil((whole_us + reach_us) * rate)), real=True))
        omega = np.asarray(2.0 * np.pi * np.fft.rfftfreq(size, 1.0 / rate), np.float64)
        strength = self.pulse.spectrum(omega)
        heard = np.abs(strength) > WEAKEST * np.abs(strength).max()
        heard[0] = False
        band = Band(omega[heard], end_us)
        turn = np.exp(-1j * np.multiply.outer(delay_us - start_us, band.omega))
        spectra = np.zeros((len(delay_us), omega.size), np.complex128)
        spectra[:, heard] = self.response.spectra(band, place) * strength[heard] * turn
        return np.asarray(np.fft.irfft(spectra, size)[:, :samples] * rate)

    def _grain(
        self,
        path_mm: FloatArray,
        delay_us: FloatArray,
        time_us: FloatArray,
        rng: np.random.Generator,
    ) -> FloatArray:
        """Return echoes of the grain: coherent, dying away with depth, the same pulse."""
        receiver, record = self.scenario.receiver, self.scenario.record
        entry_us = delay_us
        if self.scenario.probe.arrangement in ("delay_line", "immersion"):
            entry_us = (
                delay_us + 2.0 * path_mm / path_medium(self.scenario.probe).velocity_mm_per_us
            )
        inside = time_us - entry_us[:, None]
        fading = np.where(
            inside > 0.0, np.exp(-np.maximum(inside, 0.0) / receiver.grain_decay_us), 0
        )
        scatter = rng.standard_normal(inside.shape) * fading
        frequency = np.fft.rfftfreq(2 * time_us.size, 1.0 / record.sample_rate_mhz)
        omega = np.asarray(2.0 * np.pi * frequency, np.float64)
        shape = self.pulse.spectrum(omega)
        energy = np.sqrt(np.sum(np.abs(np.fft.irfft(shape, 2 * time_us.size)) ** 2))
        spectra = np.fft.rfft(scatter, 2 * time_us.size) * shape / energy
        return receiver.grain * np.fft.irfft(spectra, 2 * time_us.size)[:, : time_us.size]

    def _additions(self, count: int, time_us: FloatArray, rng: np.random.Generator) -> FloatArray:
        """Return what the receiver adds: noise, burst, offset, wander, spikes."""
        receiver, rate = self.scenario.receiver, self.scenario.record.sample_rate_mhz
        shape = (count, time_us.size)
        if receiver.noise_band_mhz:
            band = (receiver.noise_band_mhz[0], receiver.noise_band_mhz[1])
            added = electronics.band_noise(shape, receiver.noise, band, rate, rng)
        else:
            added = electronics.white_noise(shape, receiver.noise, rng)
        added += receiver.offset
        if receiver.burst:
            centre = self.scenario.probe.centre_mhz
            added += electronics.transmit_burst(
                time_us, centre, receiver.burst, receiver.burst_decay_us
            )
        if receiver.wander:
            added += electronics.baseline_wander(
                time_us, count, receiver.wander, receiver.wander_period_us, rng
            )
        if receiver.spikes:
            added += electronics.spikes(shape, receiver.spikes, receiver.spike_height, rng)
        return added


def _triggers(scenario: Scenario, count: int) -> tuple[IntArray, FloatArray]:
    """Return channel and trigger shift of every waveform; the channels take turns in each shot."""
    receiver = scenario.receiver
    rng = np.random.default_rng([scenario.seed, 2**31 + 1])
    shot, channel = np.divmod(np.arange(count), receiver.channels)
    skew_ns = receiver.channel_skew_ns * rng.standard_normal(receiver.channels)
    jitter_ns = receiver.jitter_ns * rng.standard_normal(count // receiver.channels + 1)
    shift_ns = receiver.shared_shift_ns + skew_ns[channel] + jitter_ns[shot]
    return channel, scenario.probe.delay_us + 1e-3 * shift_ns


def _faulty(
    codes: IntCodes, receiver: ReceiverTable, record: RecordTable, rng: np.random.Generator
) -> IntCodes:
    """Return codes with dead rows (all zero code) and stuck ones (the row before, again)."""
    if receiver.dead:
        codes[rng.random(len(codes)) < receiver.dead] = record.zero_code
    if receiver.stuck:
        for row in np.flatnonzero(rng.random(len(codes)) < receiver.stuck):
            codes[row] = codes[row - 1 if row else 0]
    return codes
