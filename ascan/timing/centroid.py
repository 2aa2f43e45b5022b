"""The centre of an echo's energy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from ascan.kernels.arrays import FlagArray, FloatArray
from ascan.kernels.jit import compiled
from ascan.timing.protocol import EchoRows, Traits
from ascan.timing.rows import Picks, Rows
from ascan.waveform.template import half_length

# The window follows the centre it finds; it settles in two or three rounds.
ROUNDS = 6


@compiled
def centre_energy(rows: Rows, correlation: FloatArray, half: int, picks: Picks) -> None:
    """Write the centre of energy round each peak, in a window of ``half`` samples on each side.

    The window's ends lie between the samples, where a sample counts in part: a centre that moves by
    less than a sample moves the window with it.
    """
    weight = np.empty(2 * half + 3)
    for row in range(rows.peak.size):
        peak, noise = rows.peak[row], rows.noise[row]
        if peak < 0:
            continue
        samples = rows.trace[row]
        centre, energy, low = np.float64(peak), 0.0, 0
        inside = True
        for _ in range(ROUNDS):
            low = int(np.floor(centre)) - half
            inside = low >= 0 and low + 2 * half + 2 < samples.size
            if not inside:
                break
            energy, moment = 0.0, 0.0
            for k in range(2 * half + 2):
                value = np.float64(samples[low + k])
                off = low + k - centre
                part = min(max(half + 0.5 - abs(off), 0.0), 1.0)
                square = (value * value - noise * noise) * part
                energy += square
                moment += square * off
                weight[k] = value * off * part
            if not energy > 0.0:
                inside = False
                break
            centre += moment / energy
        if not inside or abs(centre - peak) > half:
            continue
        picks.position[row] = centre
        total = 0.0
        for lag in range(min(correlation.size, 2 * half + 2)):
            products = 0.0
            for k in range(2 * half + 2 - lag):
                products += weight[k] * weight[k + lag]
            total += products * correlation[lag] * (1.0 if lag == 0 else 2.0)
        picks.u_position[row] = 2.0 * noise * np.sqrt(max(total, 0.0)) / energy


@dataclass(frozen=True, slots=True, kw_only=True)
class Centroid:
    """Centre of the energy round the echo peak, in a window that holds an echo of the probe's band.

    The same for every phase and polarity of the echo; scatters as an envelope method must. The
    noise's own energy is taken off. What stands beside the echo within the window draws it.

    References
    ----------
    t = Σ t x² / Σ x² (first moment of the energy); its uncertainty to first order, JCGM 100:2008
    5.2.2.
    """

    name: ClassVar[str] = "centroid"
    traits: ClassVar[Traits] = Traits(takes_template=True, resolves_cycle=True, phase_free=True)

    def signature(self) -> dict[str, Any]:
        """Return the method's name."""
        return {"method": self.name}

    def refine(self, echoes: EchoRows, flags: FlagArray) -> Picks:
        """Return each centre, in samples of the trace, and its standard uncertainty."""
        half, picks = half_length(echoes.period, echoes.bandwidth), echoes.nothing()
        centre_energy(echoes.rows, echoes.noise_correlation, half, picks)
        return picks
