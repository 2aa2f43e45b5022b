"""The time at which the echo first crosses a level: fixed, or a fraction of its own peak."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from ascan.base.errors import fault
from ascan.base.flags import Flag
from ascan.base.tables import number
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray, IntArray, SignArray
from ascan.kernels.jit import compiled
from ascan.kernels.level import bits_of, first_reaching
from ascan.kernels.subsample import (
    crossing_fraction,
    dense_crossing,
    dense_peak,
    peak_height,
)
from ascan.timing.bands import correlation_at
from ascan.timing.protocol import EchoRows

NO_ECHO = np.uint32(Flag.NO_ECHO)
AT_EDGE = np.uint32(Flag.AT_GATE_EDGE)
LOW_SNR = np.uint32(Flag.LOW_SNR)
UNSURE = np.uint32(Flag.HALF_CYCLE_UNSURE)

# Below this many standard deviations of noise a level is tripped early: five leave less than one
# early trigger in 10 000 over the hundred independent samples before an echo.
SAFE_LEVEL = 5.0


@compiled
def place_crossing(samples: AnyArray, below: int, way: int, level: float) -> tuple[float, float]:
    """Return place and slope (per sample) of a crossing between ``below`` and the next sample."""
    y0 = np.float64(samples[below - 1]) * way
    y1 = np.float64(samples[below]) * way
    y2 = np.float64(samples[below + 1]) * way
    y3 = np.float64(samples[below + 2]) * way
    return below + crossing_fraction(y0, y1, y2, y3, level), y2 - y1


@compiled
def cross_fixed_level(
    trace: AnyArray,
    bits: AnyArray,
    first: IntArray,
    begin: IntArray,
    peak: IntArray,
    counts: SignArray,
    noise: FloatArray,
    level: float,
    level_bits: int,
    dense: bool,
    position: FloatArray,
    u_position: FloatArray,
    flags: FlagArray,
) -> None:
    """Write where each echo first rises through a level in codes, up to its own peak.

    A row that never rises through it gets ``NO_ECHO``; so does one that stands above it where the
    gate begins, with ``AT_GATE_EDGE``: its rise came before the gate, and the next one is not it.
    """
    for row in range(peak.size):
        if peak[row] < 0:
            continue
        samples = trace[row]
        count, stop = counts[row], peak[row] + 1
        j = first_reaching(bits[row], begin[row], stop, level_bits, count)
        if j == first[row]:
            flags[row] |= AT_EDGE | NO_ECHO
            continue
        if j == begin[row]:
            # The search begins inside a half-cycle of another echo: wait for its end.
            while j < stop and (abs(samples[j]) if count == 0 else samples[j] * count) >= level:
                j += 1
            j = first_reaching(bits[row], j, stop, level_bits, count)
        if j >= stop:
            flags[row] |= NO_ECHO
            continue
        if level < SAFE_LEVEL * noise[row]:
            flags[row] |= LOW_SNR
        way = 1 if samples[j] >= 0.0 else -1
        place, slope = place_crossing(samples, j - 1, way, level)
        if dense:
            place, slope = dense_crossing(samples, place, way, level)
        position[row] = max(place, np.float64(first[row]))
        u_position[row] = noise[row] / slope if slope > 0.0 else np.inf


@compiled
def rises_through(samples: AnyArray, start: int, stop: int, count: int, level: float) -> float:
    """Return where a trace first rises through a level in start..stop; ``stop`` if it does not."""
    j = start
    while j < stop and (abs(samples[j]) if count == 0 else samples[j] * count) >= level:
        j += 1
    while j < stop and (abs(samples[j]) if count == 0 else samples[j] * count) < level:
        j += 1
    if j >= stop:
        return np.float64(stop)
    return place_crossing(samples, j - 1, 1 if samples[j] >= 0.0 else -1, level)[0]


@compiled
def add_walk(
    trace: AnyArray,
    begin: IntArray,
    peak: IntArray,
    counts: SignArray,
    noise: FloatArray,
    level: float,
    span: tuple[float, float],
    quarter: float,
    position: FloatArray,
    u_position: FloatArray,
    flags: FlagArray,
) -> None:
    """Add to each uncertainty how far the crossing walks over the span of echo heights.

    An echo of height a crosses the level where, were it as high as b, it would cross level × a / b.
    The true place lies evenly between those of both ends of the span: their distance over √12
    (JCGM 100:2008 4.3.7). ``HALF_CYCLE_UNSURE`` where it is more than a ``quarter`` of a period, in
    samples: within the span another half-cycle crosses first.
    """
    for row in range(peak.size):
        if not np.isfinite(position[row]):
            continue
        own = abs(np.float64(trace[row, peak[row]]))
        low = min(max(level * own / max(span[1], own), SAFE_LEVEL * noise[row]), level)
        high = level * own / min(span[0], own)
        stop = peak[row] + 1
        early = rises_through(trace[row], begin[row], stop, counts[row], low)
        late = rises_through(trace[row], begin[row], stop, counts[row], high)
        walk = max(late - min(early, position[row]), 0.0)
        if walk > quarter:
            flags[row] |= UNSURE
        u_position[row] = np.hypot(u_position[row], walk / np.sqrt(12.0))


@compiled
def cross_own_fraction(
    trace: AnyArray,
    first: IntArray,
    peak: IntArray,
    sign: SignArray,
    noise: FloatArray,
    correlation: FloatArray,
    fraction: float,
    period: float,
    position: FloatArray,
    u_position: FloatArray,
    flags: FlagArray,
) -> None:
    """Write where each echo's own half-cycle passes a fraction of its peak, walking back from it.

    Where the gate cuts the flank there is no crossing in it: ``NO_ECHO`` and ``AT_GATE_EDGE``.
    """
    for row in range(peak.size):
        if peak[row] < 0:
            continue
        samples = trace[row]
        way = int(sign[row])
        top = peak[row]
        height = peak_height(samples[top - 1], samples[top], samples[top + 1])
        crest = np.float64(top)
        if correlation.size > 1:
            found = dense_peak(samples, crest, period)
            crest, height = np.float64(found[0]), found[1]
        level = fraction * way * height
        j = top
        while j >= first[row] and samples[j] * way >= level:
            j -= 1
        if j < first[row]:
            flags[row] |= AT_EDGE | NO_ECHO
            continue
        place, slope = place_crossing(samples, j, way, level)
        if correlation.size > 1:
            place, slope = dense_crossing(samples, place, way, level)
        position[row] = place
        # The level moves with the noise on the peak, which is not independent of that here.
        lag = crest - place
        common = 2.0 * fraction * correlation_at(correlation, lag)
        u_position[row] = noise[row] * np.sqrt(1.0 + fraction * fraction - common) / slope


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstCrossing:
    """First crossing of ``level`` (fraction of full scale) or of ``own_peak_fraction``.

    A fixed level walks with the echo's amplitude, by up to a half-cycle and, where a half-cycle
    sinks below the level, by a whole one; only the fraction of the own peak does not. The
    uncertainty is that of noise and, for a fixed level with a calibration, of the walk over the
    heights of the echoes that were calibrated on.

    References
    ----------
    Crossing times as in IEEE Std 181-2011 (reference-level instants, by interpolation); cubic
    instead of linear between the samples. Noise n moves a crossing of slope s by n / s, JCGM
    100:2008 5.1.2.
    """

    name: ClassVar[str] = "first_crossing"
    needs_rf: ClassVar[bool] = False

    level: float | None = number(None, above=0.0, most=1.0)
    own_peak_fraction: float | None = number(None, above=0.0, most=0.95)

    def __post_init__(self) -> None:
        if (self.level is None) == (self.own_peak_fraction is None):
            raise fault(
                "timing first_crossing",
                "needs one of level and own_peak_fraction",
                allowed="level (fraction of full scale) or own_peak_fraction",
            )

    @property
    def works_on_held(self) -> bool:
        """Whether the level is fixed.

        A held record first reaches a level when the signal does, to within one stored sample; a
        fraction of the own peak may be reached on another half-cycle, which holding hides.
        """
        return self.level is not None

    def signature(self) -> dict[str, Any]:
        """Return the method's name and its level."""
        return {
            "method": self.name,
            "level": self.level,
            "own_peak_fraction": self.own_peak_fraction,
        }

    def refine(
        self, echoes: EchoRows, position: FloatArray, u_position: FloatArray, flags: FlagArray
    ) -> None:
        """Write the time of each crossing, in samples of the trace, and its uncertainty."""
        if self.own_peak_fraction is not None:
            cross_own_fraction(
                echoes.trace,
                echoes.first,
                echoes.peak,
                echoes.sign,
                echoes.noise,
                echoes.noise_correlation,
                self.own_peak_fraction,
                echoes.period,
                position,
                u_position,
                flags,
            )
        elif self.level is not None:
            level = echoes.trace.dtype.type(self.level * echoes.full_scale)
            cross_fixed_level(
                echoes.trace,
                bits_of(echoes.trace),
                echoes.first,
                echoes.begin,
                echoes.peak,
                echoes.counts,
                echoes.noise,
                float(level),
                int(bits_of(np.array(level))),
                echoes.noise_correlation.size > 1,
                position,
                u_position,
                flags,
            )
            if np.isfinite(echoes.span[0]):
                add_walk(
                    echoes.trace,
                    echoes.begin,
                    echoes.peak,
                    echoes.counts,
                    echoes.noise,
                    float(level),
                    echoes.span,
                    0.25 * echoes.period,
                    position,
                    u_position,
                    flags,
                )
