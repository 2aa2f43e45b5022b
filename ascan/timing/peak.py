"""The time of the echo's peak, by a cosine through its three highest samples."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from ascan.kernels.arrays import FlagArray
from ascan.kernels.jit import compiled
from ascan.kernels.subsample import dense_peak, peak_offset
from ascan.timing.bands import slope_excess
from ascan.timing.protocol import EchoRows, Traits
from ascan.timing.rows import Picks, Rows


@compiled
def refine_peaks(rows: Rows, period: float, excess: float, picks: Picks) -> None:
    """Write the sub-sample place of each peak; of a flat top (clipping), the middle.

    ``excess`` above 0 says that the trace is band-limited: peaks are then sought between the
    samples, and the slope of the noise there is so many times that of its central differences.
    """
    for row in range(rows.peak.size):
        top, last = rows.peak[row], rows.last[row]
        if top < 0:
            continue
        samples = rows.trace[row]
        end = top
        while end + 1 < last and samples[end + 1] == samples[top]:
            end += 1
        before, middle, after = samples[top - 1], samples[top], samples[end + 1]
        offset = peak_offset(before, middle, after)
        place = 0.5 * (top + end) + offset
        bend = abs(np.float64(before) - 2.0 * np.float64(middle) + np.float64(after))
        scale = 1.0
        if excess > 0.0 and end == top:
            found = dense_peak(samples, place, period)
            place, bend, scale = np.float64(found[0]), np.float64(abs(found[2])), excess
        picks.position[row] = min(max(place, np.float64(rows.first[row])), np.float64(last - 1))
        # Noise on the highest sample sharpens the bend of three; a wave of the probe's frequency
        # is no sharper than this.
        sharpest = abs(np.float64(middle)) * (2.0 * np.pi / period) ** 2
        bend = min(bend, sharpest)
        picks.u_position[row] = scale * rows.noise_slope[row] / bend if bend > 0.0 else np.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """Peak of the largest half-cycle that counts.

    The uncertainty is that of noise alone: where the slope of the signal passes through zero, noise
    of slope s moves the zero by s / curvature.

    References
    ----------
    First-order propagation through the implicit equation y'(t) + n'(t) = 0, JCGM 100:2008 5.1.2.
    """

    name: ClassVar[str] = "peak"
    # A held peak is a plateau, or one value for several samples, and may be any half-cycle's.
    traits: ClassVar[Traits] = Traits(needs_rf=False)

    def signature(self) -> dict[str, Any]:
        """Return the method's name."""
        return {"method": self.name}

    def refine(self, echoes: EchoRows, flags: FlagArray) -> Picks:
        """Return the time of each peak, in samples of the trace, and its standard uncertainty."""
        picks = echoes.nothing()
        refine_peaks(echoes.rows, echoes.period, slope_excess(echoes.noise_correlation), picks)
        return picks
