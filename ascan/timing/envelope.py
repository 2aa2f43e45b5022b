"""The time of the echo's envelope: its peak, or where its leading edge passes a fraction of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from ascan.base.tables import number
from ascan.kernels.analytic import envelope, envelope_top, quadrature_taps
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray, IntArray
from ascan.kernels.jit import compiled
from ascan.kernels.subsample import crossing_fraction
from ascan.timing.bands import correlation_at, envelope_correlation, spectral_spread
from ascan.timing.protocol import EchoRows

# The envelope's top lies within this many periods of the largest half-cycle; its edge so many more.
TOP_PERIODS, EDGE_PERIODS = 1.0, 2.5
# The quadrature filter reaches so far on each side.
FILTER_PERIODS = 2.0


@compiled
def time_envelopes(
    trace: AnyArray,
    peak: IntArray,
    taps: FloatArray,
    period: float,
    fraction: float,
    noise: FloatArray,
    spread: float,
    correlation: FloatArray,
    position: FloatArray,
    u_position: FloatArray,
) -> None:
    """Write the place of each envelope's top (fraction 0) or edge, and its uncertainty.

    ``spread`` is the rms width of the noise's spectrum round the carrier, in radians per sample.
    """
    near, far = int(np.ceil(TOP_PERIODS * period)), int(np.ceil(EDGE_PERIODS * period))
    for row in range(peak.size):
        if peak[row] < 0:
            continue
        samples = trace[row]
        best, offset, height, bend = envelope_top(samples, peak[row], near, period, taps)
        if best < 0:
            continue
        if fraction == 0.0:
            position[row] = best + offset
            u_position[row] = noise[row] * spread / (-bend * height)
            continue
        # Noise lifts an envelope a to √(a² + σ²) in the mean (both quadratures, second order).
        square = noise[row] * noise[row]
        level = np.sqrt(fraction * fraction * max(height * height - square, 0.0) + square)
        j = best
        while j > best - far and envelope(samples, j, taps) >= level:
            j -= 1
        if j <= max(best - far, 1):
            continue
        y0, y1 = envelope(samples, j - 1, taps), envelope(samples, j, taps)
        y2, y3 = envelope(samples, j + 1, taps), envelope(samples, j + 2, taps)
        position[row] = j + crossing_fraction(y0, y1, y2, y3, level)
        # The level moves with the noise on the top, which is not independent of that here.
        lag = best + offset - position[row]
        common = 2.0 * fraction * correlation_at(correlation, lag)
        u_position[row] = noise[row] * np.sqrt(1.0 + fraction * fraction - common) / (y2 - y1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelope:
    """Peak of the envelope, or with ``edge_fraction`` its leading edge.

    The same for every phase and polarity of the echo, at the price of some six times the scatter of
    a method that knows the phase; band-pass the record, or the price is twenty times. The
    uncertainty is that of noise alone, to first order: where the slope of the envelope passes
    through zero, noise of slope n' moves the zero by n' / curvature (JCGM 100:2008 5.1.2).
    """

    name: ClassVar[str] = "envelope"
    needs_rf: ClassVar[bool] = True
    works_on_held: ClassVar[bool] = False
    settles_half_cycle: ClassVar[bool] = True
    phase_free: ClassVar[bool] = True
    extra_periods: ClassVar[float] = TOP_PERIODS + EDGE_PERIODS + FILTER_PERIODS

    edge_fraction: float | None = number(None, above=0.0, most=0.95)

    def signature(self) -> dict[str, Any]:
        """Return the method's name and its fraction."""
        return {"method": self.name, "edge_fraction": self.edge_fraction}

    def refine(
        self, echoes: EchoRows, position: FloatArray, u_position: FloatArray, flags: FlagArray
    ) -> None:
        """Write the time of each envelope, in samples of the trace, and its uncertainty."""
        time_envelopes(
            echoes.trace,
            echoes.peak,
            quadrature_taps(int(np.ceil(FILTER_PERIODS * echoes.period))),
            echoes.period,
            self.edge_fraction or 0.0,
            echoes.noise,
            spectral_spread(echoes.noise_correlation, echoes.period),
            envelope_correlation(echoes.noise_correlation),
            position,
            u_position,
        )
