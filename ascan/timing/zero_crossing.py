"""The time at which the signal passes through zero after the echo's own half-cycle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from ascan.kernels.arrays import FlagArray
from ascan.kernels.jit import compiled
from ascan.kernels.subsample import crossing_fraction, dense_crossing
from ascan.timing.protocol import EchoRows, Traits
from ascan.timing.rows import Picks, Rows


@compiled
def cross_zero(rows: Rows, dense: bool, picks: Picks) -> None:
    """Write where each echo's half-cycle ends; nothing where it does not end inside the gate.

    ``dense`` says that the trace is band-limited, and can be known between its samples.
    """
    for row in range(rows.peak.size):
        peak, last = rows.peak[row], rows.last[row]
        if peak < 0:
            continue
        samples = rows.trace[row]
        way = 1.0 if samples[peak] >= 0.0 else -1.0
        j = peak
        while j < last and samples[j] * way > 0.0:
            j += 1
        if j >= last:
            continue
        before, y1 = np.float64(samples[j - 2]) * way, np.float64(samples[j - 1]) * way
        y2, after = np.float64(samples[j]) * way, np.float64(samples[j + 1]) * way
        picks.position[row] = j - 1 + crossing_fraction(before, y1, y2, after, 0.0)
        steep = y1 - y2
        if dense:
            found = dense_crossing(samples, picks.position[row], int(way), 0.0)
            picks.position[row], steep = found[0], -np.float64(found[1])
        picks.u_position[row] = rows.noise[row] / steep if steep > 0.0 else np.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroCrossing:
    """Zero crossing after the largest half-cycle that counts.

    It does not move with the amplitude, nor with clipping that leaves the flank. A constant offset
    moves it: filter the record. The uncertainty is that of noise alone, n / slope (JCGM 100:2008
    5.1.2). Where the half-cycle does not end inside the gate there is no time: ``NO_ECHO``.
    """

    name: ClassVar[str] = "zero_crossing"
    traits: ClassVar[Traits] = Traits()

    def signature(self) -> dict[str, Any]:
        """Return the method's name."""
        return {"method": self.name}

    def refine(self, echoes: EchoRows, flags: FlagArray) -> Picks:
        """Return the time of each crossing, in samples of the trace, and its uncertainty."""
        picks = echoes.nothing()
        cross_zero(echoes.rows, echoes.noise_correlation.size > 1, picks)
        return picks
