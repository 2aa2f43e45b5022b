"""What the pulse of step records is like: its band, its envelope, and the noise it stands in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.base.errors import fault
from ascan.kernels.arrays import BoolArray, FloatArray, IntArray
from ascan.waveform.scan import Scan
from ascan.waveform.shares import envelope_of, rails_of, shares_of

# Rows of a step that are looked at, and periods to each side of an echo that its spectrum is of.
ROWS_PER_STEP, PERIODS = 5, 2.0
# What a probe may have, in MHz, and of the digitiser's rate.
LEAST_MHZ, MOST_OF_RATE = 0.2, 0.45
# The transmit burst is what begins a record so near to the trigger (µs), as high as this against
# all that follows; it has ended where so little of it is left.
NEAR_TRIGGER_US, BURST, BURST_LEFT = 1.0, 0.3, 0.1
LOUD = 0.9
# Of a burst and of an echo, what it is at least over what is usual in a record.
ABOVE_NOISE = 6.0
# Samples are taken off their record's middle, which moves them off the rails by so little.
OFFSET = 0.01
NORMAL = 1.4826


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Records:
    """Records of known steps, ready to be looked at.

    Attributes
    ----------
    rows : ndarray, shape (n,)
        Their numbers in the scan.
    known_mm : ndarray, shape (n,)
        Step of each.
    envelope : ndarray, shape (n, width)
        As a share of full scale; 0 under the transmit burst.
    time_us : ndarray, shape (n, width)
        After the trigger.
    rate_mhz, frequency_mhz, bandwidth_percent : float
        Samples in a µs; middle of the pulse's band at −6 dB, and its width over it.
    burst_us : float
        When the transmit burst has ended; before the record where it holds none.
    noise : float
        Standard deviation, share of full scale.
    silent : int
        Records of steps that were looked at and hold no echo; they are left out.
    rail : float
        Where they clip, share of full scale; of two echoes that do, neither is the larger.
    """

    rows: IntArray
    known_mm: FloatArray
    envelope: FloatArray
    time_us: FloatArray
    rate_mhz: float
    frequency_mhz: float
    bandwidth_percent: float
    burst_us: float
    noise: float
    silent: int = 0
    rail: float = 1.0

    @property
    def steps_mm(self) -> FloatArray:
        """The steps, thinnest first."""
        return np.unique(self.known_mm)

    def of_step(self, step_mm: float) -> BoolArray:
        """Return which records stand on a step."""
        return np.asarray(self.known_mm == step_mm)


def records_of(scan: Scan, known_mm: FloatArray) -> Records:
    """Return up to five records of each step, and what their pulse is like.

    Raises
    ------
    AscanError
        No record stands on a step, or none holds a signal.
    """
    steps_mm = np.unique(known_mm[np.isfinite(known_mm)])
    if not steps_mm.size:
        raise fault("steps", "no record stands on a step", remedy="name them: --step 10=0-4")
    rows = some_of_each(known_mm, ROWS_PER_STEP)
    recording, rate = scan.recording, scan.recording.sample_rate_mhz
    rows, samples = samples_of(scan, rows)
    if not rows.size or not samples.std() > 0.0:
        raise fault(f"{scan.name}", "holds no signal on the steps", remedy="check rows and steps")
    if not ((samples > 0.0).any() and (samples < 0.0).any()) or recording.rectified:
        raise fault(
            f"{scan.name}",
            "holds sizes without a sign: no RF records",
            remedy="record unrectified waveforms; a draft needs their half-cycles",
        )
    time_us = scan.start_time_us[rows][:, None] + np.arange(samples.shape[1]) / rate
    envelope = envelope_of(samples)
    coarse_mhz = _middle(_power(samples), rate, samples.shape[1])
    burst_us = _burst_end(envelope, time_us, 1.0 / coarse_mhz)
    envelope = np.where(time_us > burst_us, envelope, 0.0)
    heard = envelope.max(axis=1) > ABOVE_NOISE * NORMAL * np.median(np.abs(samples), axis=1)
    if not heard.any():
        raise fault(f"{scan.name}", "holds no echo on the steps", remedy="mend gain and coupling")
    silent, rows = int((~heard).sum()), rows[heard]
    samples, envelope, time_us = samples[heard], envelope[heard], time_us[heard]
    steps_mm = np.unique(known_mm[rows])
    # Of thin steps echoes run into each other.
    thickest = known_mm[rows] == steps_mm[-1]
    rails = rails_of(recording)
    plain = np.where(_near_clipping(samples, rails, rate / coarse_mhz), 0.0, envelope)
    shown = envelope if not plain[thickest].any() else plain
    frequency, bandwidth = _band(samples[thickest], shown[thickest], rate, coarse_mhz)
    return Records(
        rows=rows,
        known_mm=np.asarray(known_mm[rows], np.float64),
        envelope=envelope,
        time_us=time_us,
        rate_mhz=rate,
        frequency_mhz=frequency,
        bandwidth_percent=bandwidth,
        burst_us=burst_us,
        noise=noise_of(samples),
        silent=silent,
        rail=min(abs(level) for level in rails),
    )


def samples_of(scan: Scan, rows: IntArray) -> tuple[IntArray, FloatArray]:
    """Return rows that are finite, and their samples as shares of full scale, middle taken off."""
    samples = shares_of(scan, rows)
    whole = np.isfinite(samples).all(axis=1)
    rows, samples = rows[whole], samples[whole]
    return rows, samples - np.median(samples, axis=1, keepdims=True) if rows.size else samples


def noise_of(samples: FloatArray) -> float:
    """Return the standard deviation of what is between echoes, by the middle of all sizes."""
    return float(np.median(NORMAL * np.median(np.abs(samples), axis=1)))


def crests(
    time_us: FloatArray, envelope: FloatArray, near_us: FloatArray, reach_us: float
) -> tuple[FloatArray, FloatArray]:
    """Return time and height of each record's largest envelope so near to a time; NaN: outside."""
    when, height = np.full(near_us.size, np.nan), np.full(near_us.size, np.nan)
    for k, middle in enumerate(near_us):
        here = np.flatnonzero(np.abs(time_us[k] - middle) <= reach_us)
        if here.size and middle + reach_us < time_us[k, -1]:
            top = here[int(envelope[k, here].argmax())]
            when[k], height[k] = time_us[k, top], envelope[k, top]
    return when, height


def some_of_each(known_mm: FloatArray, count: int) -> IntArray:
    """Return up to ``count`` rows of each step, evenly spread over those that stand on it."""
    found = []
    for step in np.unique(known_mm[np.isfinite(known_mm)]):
        rows = np.flatnonzero(known_mm == step)
        found.append(rows[np.unique(np.linspace(0, rows.size - 1, count).astype(np.int64))])
    return np.concatenate(found)


def _near_clipping(samples: FloatArray, rails: tuple[float, float], period: float) -> BoolArray:
    """Return which samples lie within two periods of one that clips."""
    from scipy.ndimage import maximum_filter1d

    beyond = (samples >= rails[1] - OFFSET) | (samples <= rails[0] + OFFSET)
    return np.asarray(maximum_filter1d(beyond, 2 * int(PERIODS * period) + 1, axis=1))


def _power(samples: FloatArray) -> FloatArray:
    return np.asarray((np.abs(np.fft.rfft(samples, axis=1)) ** 2).mean(axis=0))


def _middle(power: FloatArray, rate_mhz: float, size: int) -> float:
    """Return the frequency that halves a spectrum's power, in the band that probes have."""
    mhz = np.arange(power.size) * rate_mhz / size
    held = np.where((mhz >= LEAST_MHZ) & (mhz <= MOST_OF_RATE * rate_mhz), power, 0.0)
    total = np.cumsum(held)
    return float(np.interp(0.5 * total[-1], total, mhz))


def _burst_end(envelope: FloatArray, time_us: FloatArray, period_us: float) -> float:
    """Return when the transmit burst has ended; before the records where they hold none."""
    early = float(time_us.min())
    usual, clock = np.median(envelope, axis=0), np.median(time_us, axis=0)
    head = clock <= early + 2.0 * period_us
    # Where half of the records hold nothing, what is usual is noise.
    least = max(BURST * usual.max(), ABOVE_NOISE * np.median(usual))
    if early > NEAR_TRIGGER_US or usual[head].max() < least:
        return early - period_us
    # The loudest records ring longest.
    most = np.quantile(envelope, LOUD, axis=0)
    loud = np.flatnonzero(most >= BURST_LEFT * most[head].max())
    apart = np.flatnonzero(np.diff(clock[loud]) > 2.0 * period_us)
    last = loud[apart[0]] if apart.size else loud[-1]
    return float(clock[last])


def _band(
    samples: FloatArray, envelope: FloatArray, rate_mhz: float, coarse_mhz: float
) -> tuple[float, float]:
    """Return the middle of the −6 dB band of the largest echoes, and its width in percent of it."""
    reach, size = int(PERIODS * rate_mhz / coarse_mhz), 4096
    power = np.zeros(size // 2 + 1)
    for own, top in zip(samples, envelope.argmax(axis=1), strict=True):
        part = own[max(top - reach, 0) : top + reach + 1]
        power += np.abs(np.fft.rfft(part / max(np.abs(part).max(), 1e-12), size)) ** 2
    mhz = np.arange(power.size) * rate_mhz / size
    power[(mhz < LEAST_MHZ) | (mhz > MOST_OF_RATE * rate_mhz)] = 0.0
    top = int(power.argmax())
    quarter = 0.25 * power[top]
    low, high = top, top
    while low > 0 and power[low - 1] >= quarter:
        low -= 1
    while high + 1 < power.size and power[high + 1] >= quarter:
        high += 1
    middle = 0.5 * float(mhz[low] + mhz[high])
    # The cut-out widens the band by its own.
    own_mhz = 1.2 * rate_mhz / (2.0 * reach + 1.0)
    width = float(np.sqrt(max(float(mhz[high] - mhz[low]) ** 2 - own_mhz**2, 0.0)))
    return middle, float(np.clip(100.0 * width / middle, 20.0, 120.0))
