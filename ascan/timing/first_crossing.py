"""The time at which the echo first crosses a level: fixed, or a fraction of its peak."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, NamedTuple

import numpy as np

from ascan.base.errors import fault
from ascan.base.flags import Flag
from ascan.base.tables import number
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray
from ascan.kernels.jit import compiled
from ascan.kernels.level import bits_of, first_reaching
from ascan.kernels.subsample import (
    crossing_fraction,
    dense_crossing,
    dense_peak,
    peak_height,
)
from ascan.timing.bands import correlation_at
from ascan.timing.protocol import EchoRows, Traits
from ascan.timing.rows import Picks, Rows

NO_ECHO = np.uint32(Flag.NO_ECHO)
AT_EDGE = np.uint32(Flag.AT_GATE_EDGE)
LOW_SNR = np.uint32(Flag.LOW_SNR)
UNSURE = np.uint32(Flag.CYCLE_UNCERTAIN)

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


class Level(NamedTuple):
    """A fixed level.

    Attributes
    ----------
    codes : float
    bits : int
        The same by its bits, in the trace's type.
    dense : bool
        Whether the trace is band-limited, and can be known between its samples.
    """

    codes: float
    bits: int
    dense: bool


@compiled
def cross_fixed_level(
    rows: Rows, bits: AnyArray, level: Level, picks: Picks, flags: FlagArray
) -> None:
    """Write where each echo first rises through a level, up to its peak.

    A row that never rises through it gets ``NO_ECHO``; so does one that stands above it where the
    gate begins, with ``AT_GATE_EDGE``: its rise came before the gate, and the next one is not it.
    """
    height = level.codes
    for row in range(rows.peak.size):
        if rows.peak[row] < 0:
            continue
        samples, first, begin = rows.trace[row], rows.first[row], rows.begin[row]
        count, stop = rows.counts[row], rows.peak[row] + 1
        j = first_reaching(bits[row], begin, stop, level.bits, count)
        if j == first:
            flags[row] |= AT_EDGE | NO_ECHO
            continue
        if j == begin:
            # The search begins inside a half-cycle of another echo: wait for its end.
            while j < stop and (abs(samples[j]) if count == 0 else samples[j] * count) >= height:
                j += 1
            j = first_reaching(bits[row], j, stop, level.bits, count)
        if j >= stop:
            flags[row] |= NO_ECHO
            continue
        if height < SAFE_LEVEL * rows.noise[row]:
            flags[row] |= LOW_SNR
        way = 1 if samples[j] >= 0.0 else -1
        place, slope = place_crossing(samples, j - 1, way, height)
        if level.dense:
            place, slope = dense_crossing(samples, place, way, height)
        picks.position[row] = max(place, np.float64(first))
        picks.u_position[row] = rows.noise[row] / slope if slope > 0.0 else np.inf


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
    rows: Rows,
    level: float,
    span: tuple[float, float],
    quarter: float,
    picks: Picks,
    flags: FlagArray,
) -> None:
    """Add to each uncertainty how far the crossing walks over the span of echo heights.

    An echo of height a crosses the level where, were it as high as b, it would cross level × a / b.
    The true place lies evenly between those of both ends of the span: their distance over √12
    (JCGM 100:2008 4.3.7). ``CYCLE_UNCERTAIN`` where it is more than a ``quarter`` of a period, in
    samples: within the span another half-cycle crosses first.
    """
    for row in range(rows.peak.size):
        if not np.isfinite(picks.position[row]):
            continue
        samples, begin, count = rows.trace[row], rows.begin[row], rows.counts[row]
        own = abs(np.float64(samples[rows.peak[row]]))
        low = min(max(level * own / max(span[1], own), SAFE_LEVEL * rows.noise[row]), level)
        high = level * own / min(span[0], own)
        stop = rows.peak[row] + 1
        early = rises_through(samples, begin, stop, count, low)
        late = rises_through(samples, begin, stop, count, high)
        walk = max(late - min(early, picks.position[row]), 0.0)
        if walk > quarter:
            flags[row] |= UNSURE
        picks.u_position[row] = np.hypot(picks.u_position[row], walk / np.sqrt(12.0))


@compiled
def cross_own_fraction(
    rows: Rows,
    correlation: FloatArray,
    fraction: float,
    period: float,
    picks: Picks,
    flags: FlagArray,
) -> None:
    """Write where each echo's own half-cycle passes a fraction of its peak, walking back from it.

    Where the gate cuts the flank there is no crossing in it: ``NO_ECHO`` and ``AT_GATE_EDGE``.
    """
    for row in range(rows.peak.size):
        top, first = rows.peak[row], rows.first[row]
        if top < 0:
            continue
        samples = rows.trace[row]
        way = int(rows.sign[row])
        height = peak_height(samples[top - 1], samples[top], samples[top + 1])
        crest = np.float64(top)
        if correlation.size > 1:
            found = dense_peak(samples, crest, period)
            crest, height = np.float64(found[0]), found[1]
        level = fraction * way * height
        j = top
        while j >= first and samples[j] * way >= level:
            j -= 1
        if j < first:
            flags[row] |= AT_EDGE | NO_ECHO
            continue
        place, slope = place_crossing(samples, j, way, level)
        if correlation.size > 1:
            place, slope = dense_crossing(samples, place, way, level)
        picks.position[row] = place
        # The level moves with the noise on the peak, which is not independent of that here.
        lag = crest - place
        common = 2.0 * fraction * correlation_at(correlation, lag)
        spread = np.sqrt(1.0 + fraction * fraction - common)
        picks.u_position[row] = rows.noise[row] * spread / slope


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstCrossing:
    """First crossing of ``level`` (fraction of full scale) or of ``peak_fraction``.

    A fixed level walks with the echo's amplitude, by up to a half-cycle and, where a half-cycle
    sinks below the level, by a whole one; only the fraction of the echo peak does not. The
    uncertainty is that of noise and, for a fixed level with a calibration, of the walk over the
    heights of the echoes that were calibrated on.

    References
    ----------
    Crossing times as in IEEE Std 181-2011 (reference-level instants, by interpolation); cubic
    instead of linear between the samples. Noise n moves a crossing of slope s by n / s, JCGM
    100:2008 5.1.2.
    """

    name: ClassVar[str] = "first_crossing"

    level: float | None = number(None, above=0.0, most=1.0)
    peak_fraction: float | None = number(None, above=0.0, most=0.95)

    def __post_init__(self) -> None:
        if (self.level is None) == (self.peak_fraction is None):
            raise fault(
                "timing first_crossing",
                "needs one of level and peak_fraction",
                allowed="level (fraction of full scale) or peak_fraction",
            )

    @property
    def traits(self) -> Traits:
        """Only a fixed level is timed on held peaks.

        A held record first reaches a level when the signal does, to within one stored sample; a
        fraction of the echo peak may be reached on another half-cycle, which holding hides.
        """
        return Traits(needs_rf=False, works_on_held=self.level is not None)

    def signature(self) -> dict[str, Any]:
        """Return the method's name and its level."""
        return {
            "method": self.name,
            "level": self.level,
            "peak_fraction": self.peak_fraction,
        }

    def refine(self, echoes: EchoRows, flags: FlagArray) -> Picks:
        """Return the time of each crossing, in samples of the trace, and its uncertainty."""
        picks = echoes.nothing()
        if self.peak_fraction is not None:
            cross_own_fraction(
                echoes.rows,
                echoes.noise_correlation,
                self.peak_fraction,
                echoes.period,
                picks,
                flags,
            )
        elif self.level is not None:
            height = echoes.trace.dtype.type(self.level * echoes.full_scale)
            dense = echoes.noise_correlation.size > 1
            level = Level(float(height), int(bits_of(np.array(height))), dense)
            cross_fixed_level(echoes.rows, bits_of(echoes.trace), level, picks, flags)
            if np.isfinite(echoes.span[0]):
                quarter = 0.25 * echoes.period
                add_walk(echoes.rows, level.codes, echoes.span, quarter, picks, flags)
        return picks
