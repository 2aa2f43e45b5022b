"""The onset of the echo by the Akaike information criterion: where two noises fit best."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from ascan.base.tables import number
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray
from ascan.kernels.jit import compiled
from ascan.timing.protocol import EchoRows, Traits
from ascan.timing.rows import Picks, Rows

LEAST_SAMPLES = 8


@compiled
def criterion(samples: AnyArray, start: int, stop: int, floor: float, room: FloatArray) -> int:
    """Write AIC(k) for every split of start..stop into k samples and the rest; return their count.

    AIC(k) = k ln var(x[:k]) + (n − k − 1) ln var(x[k:]), k = 1 … n − 1, written to ``room[k − 1]``;
    no variance below ``floor``.

    References
    ----------
    Maeda 1985, Zisin 38(3), 365-379 (doi 10.4294/zisin1948.38.3_365).
    """
    count = stop - start
    total, squares = 0.0, 0.0
    for j in range(start, stop):
        value = np.float64(samples[j])
        total += value
        squares += value * value
    left, left_squares = 0.0, 0.0
    for k in range(1, count):
        value = np.float64(samples[start + k - 1])
        left += value
        left_squares += value * value
        rest = count - k
        first = max(left_squares / k - (left / k) ** 2, floor)
        second = max((squares - left_squares) / rest - ((total - left) / rest) ** 2, floor)
        room[k - 1] = k * np.log(first) + (rest - 1) * np.log(second)
    return count - 1


@compiled
def time_onsets(rows: Rows, reach: int, picks: Picks) -> None:
    """Write the first sample of each echo, and how far criterion and delay leave it open.

    The criterion sees an echo when it has grown out of the noise: later than it begins, by about
    the time in which it grows e-fold, which is taken as the standard uncertainty of that delay.
    """
    room = np.empty(reach + 1)
    for row in range(rows.peak.size):
        peak, noise = rows.peak[row], rows.noise[row]
        if peak < 0:
            continue
        start = max(rows.first[row], peak - reach)
        if peak + 1 - start < LEAST_SAMPLES:
            continue
        # The floor keeps a constant stretch from being infinitely certain.
        floor = 1e-4 * noise**2
        count = criterion(rows.trace[row], start, peak + 1, floor, room)
        best = int(np.argmin(room[:count]))
        low, high = best, best
        # AIC is −2 ln of the likelihood: one above the least is one standard deviation.
        while low > 0 and room[low - 1] <= room[best] + 1.0:
            low -= 1
        while high + 1 < count and room[high + 1] <= room[best] + 1.0:
            high += 1
        # room[k − 1] is the split before sample k.
        picks.position[row] = start + best + 1
        u = np.hypot(0.5 * (high - low), 1.0 / np.sqrt(12.0))
        height = abs(np.float64(rows.trace[row, peak]))
        growth = (peak - picks.position[row]) / max(np.log(height / noise), 1.0)
        picks.u_position[row] = np.hypot(u, growth)


@dataclass(frozen=True, slots=True, kw_only=True)
class Onset:
    """First sample of the echo, by the Akaike information criterion over ``reach_periods``.

    Whole samples, and late: an echo that grows from nothing is told from noise only when it has
    grown (some 100 / 20 / 10 ns at 14 / 34 / 54 dB on a causal 5 MHz pulse, own study). That delay
    changes with the signal-to-noise ratio; the uncertainty holds it, beside how far the criterion
    leaves the split open. A zero-phase filter starts the echo early: leave it out.
    """

    name: ClassVar[str] = "onset"
    traits: ClassVar[Traits] = Traits(resolves_cycle=True, phase_free=True)

    reach_periods: float = number(8.0, above=1.0, most=1000.0)

    def signature(self) -> dict[str, Any]:
        """Return the method's name and its reach."""
        return {"method": self.name, "reach_periods": self.reach_periods}

    def refine(self, echoes: EchoRows, flags: FlagArray) -> Picks:
        """Return the first sample of each echo in its trace, and its uncertainty."""
        reach = int(np.ceil(self.reach_periods * echoes.period))
        picks = echoes.nothing()
        time_onsets(echoes.rows, reach, picks)
        return picks
