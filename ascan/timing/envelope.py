"""The time of the echo's envelope: its peak, or where its leading edge passes a fraction of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, NamedTuple

import numpy as np

from ascan.base.tables import number
from ascan.kernels.analytic import envelope, envelope_top, quadrature_taps
from ascan.kernels.arrays import FlagArray, FloatArray
from ascan.kernels.jit import compiled
from ascan.kernels.subsample import crossing_fraction
from ascan.timing.bands import correlation_at, envelope_correlation, spectral_spread
from ascan.timing.protocol import EchoRows, Traits
from ascan.timing.rows import Picks, Rows

# The envelope's top lies within this many periods of the largest half-cycle; its edge so many more.
TOP_PERIODS, EDGE_PERIODS = 1.0, 2.5
# The quadrature filter reaches so far on each side.
FILTER_PERIODS = 2.0


class Form(NamedTuple):
    """How envelopes are made and timed.

    Attributes
    ----------
    taps : ndarray
        Of the quadrature filter.
    period : float
        In samples.
    fraction : float
        0 for the top, else of the top where the edge is timed.
    spread : float
        Rms width of the noise's spectrum round the carrier, in radians per sample.
    correlation : ndarray, shape (lags,)
        Of the envelope's noise with itself.
    """

    taps: FloatArray
    period: float
    fraction: float
    spread: float
    correlation: FloatArray


@compiled
def time_envelopes(rows: Rows, form: Form, picks: Picks) -> None:
    """Write the place of each envelope's top or edge, and its uncertainty."""
    taps, fraction = form.taps, form.fraction
    near, far = int(np.ceil(TOP_PERIODS * form.period)), int(np.ceil(EDGE_PERIODS * form.period))
    for row in range(rows.peak.size):
        if rows.peak[row] < 0:
            continue
        samples, noise = rows.trace[row], rows.noise[row]
        best, offset, height, bend = envelope_top(samples, rows.peak[row], near, form.period, taps)
        if best < 0:
            continue
        if fraction == 0.0:
            picks.position[row] = best + offset
            picks.u_position[row] = noise * form.spread / (-bend * height)
            continue
        # Noise lifts an envelope a to √(a² + σ²) in the mean (both quadratures, second order).
        square = noise * noise
        level = np.sqrt(fraction * fraction * max(height * height - square, 0.0) + square)
        j = best
        while j > best - far and envelope(samples, j, taps) >= level:
            j -= 1
        if j <= max(best - far, 1):
            continue
        y0, y1 = envelope(samples, j - 1, taps), envelope(samples, j, taps)
        y2, y3 = envelope(samples, j + 1, taps), envelope(samples, j + 2, taps)
        picks.position[row] = j + crossing_fraction(y0, y1, y2, y3, level)
        # The level moves with the noise on the top, which is not independent of that here.
        lag = best + offset - picks.position[row]
        common = 2.0 * fraction * correlation_at(form.correlation, lag)
        picks.u_position[row] = noise * np.sqrt(1.0 + fraction * fraction - common) / (y2 - y1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelope:
    """Peak of the envelope, or with ``edge_fraction`` its leading edge.

    The same for every phase and polarity of the echo, at the price of some six times the scatter of
    a method that knows the phase; band-pass the record, or the price is twenty times. The
    uncertainty is that of noise alone, to first order: where the slope of the envelope passes
    through zero, noise of slope n' moves the zero by n' / curvature (JCGM 100:2008 5.1.2).
    """

    name: ClassVar[str] = "envelope"
    traits: ClassVar[Traits] = Traits(
        resolves_cycle=True,
        phase_free=True,
        extra_periods=TOP_PERIODS + EDGE_PERIODS + FILTER_PERIODS,
    )

    edge_fraction: float | None = number(None, above=0.0, most=0.95)

    def signature(self) -> dict[str, Any]:
        """Return the method's name and its fraction."""
        return {"method": self.name, "edge_fraction": self.edge_fraction}

    def refine(self, echoes: EchoRows, flags: FlagArray) -> Picks:
        """Return the time of each envelope, in samples of the trace, and its uncertainty."""
        form = Form(
            taps=quadrature_taps(int(np.ceil(FILTER_PERIODS * echoes.period))),
            period=echoes.period,
            fraction=self.edge_fraction or 0.0,
            spread=spectral_spread(echoes.noise_correlation, echoes.period),
            correlation=envelope_correlation(echoes.noise_correlation),
        )
        picks = echoes.nothing()
        time_envelopes(echoes.rows, form, picks)
        return picks
