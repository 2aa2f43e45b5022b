"""The noise of each record, taken from quiet stretches of the record itself, round the gate.

Stretches of equal length are ranked by their spread; one near the quiet end of the ranking, and up
to five more that are about as quiet, are conditioned as the echoes are, and their level and the
level of their slope are measured. Whatever colour the noise has is thereby in both figures. Grain
and other coherent noise beside the echoes is not seen in a stretch that is quiet; it is larger, and
no part of these figures.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray, IntArray
from ascan.kernels.fir import whole_taps
from ascan.kernels.jit import compiled, compiled_sums
from ascan.waveform.conditioning import condition_pieces
from ascan.waveform.quiet import PIECES, Quiet, Stretches, quiet_stretches, rank_quantiles

STRETCH_SAMPLES = 48
# In units of a step's variance q² / 12: noise that measures more than SHOWN (half a step) shows its
# quantisation in full, one that measures less than HIDDEN (a third of a step) not at all.
SHOWN, HIDDEN = 4.0, 1.2
# The variance of the size of white noise, and of its slope, as a share of that of the noise itself
# (half-normal distribution).
HALF_NORMAL = 1.0 - 2.0 / np.pi
# A stretch holds at least so many periods of the probe, whatever the sample rate.
STRETCH_PERIODS = 3.0


def stretch_length(samples: int, period: float) -> int:
    """Return the length of a stretch: 48 samples or three periods, less in a short record; even."""
    wanted = max(STRETCH_SAMPLES, 2 * int(np.ceil(0.5 * STRETCH_PERIODS * period)))
    return min(wanted, max(8, 2 * (samples // 16)))


class Levels(NamedTuple):
    """Standard deviation of noise, in codes, and of half its central differences; shape (n,)."""

    level: FloatArray
    slope: FloatArray


@compiled
def float_steps(block: AnyArray, step: float, steps: FloatArray) -> None:
    """Write the quantisation step of each floating-point row: its least difference of neighbours.

    Codes that were stored as floating point keep their step; a continuous signal has next to none.
    Never below ``step``.
    """
    for row in range(block.shape[0]):
        samples = block[row]
        least = np.inf
        for j in range(1, samples.size):
            change = abs(np.float64(samples[j]) - np.float64(samples[j - 1]))
            if 0.0 < change < least:
                least = change
        steps[row] = max(least, step) if least < np.inf else step


@compiled
def with_quantisation(variance: float, least: float) -> float:
    """Return a standard deviation that holds the quantisation's share, ``least``, once.

    Noise of more than half a step shows it already in what is measured; quieter noise is rounded
    away, and shows less than there is.
    """
    share = (SHOWN - variance / least) / (SHOWN - HIDDEN) if least > 0.0 else 0.0
    return np.float64(np.sqrt(variance + least * min(max(share, 0.0), 1.0)))


@compiled_sums
def spread_rows(
    trace: AnyArray,
    quiet: Quiet,
    steps: FloatArray,
    floors: tuple[float, float],
    rectified: bool,
    levels: Levels,
) -> None:
    """Write the standard deviation of each row's stretches and of their half central differences.

    ``trace``, shape (n, PIECES, length), holds them; those whose ``origin`` is −1 do not count.
    Of a ``rectified`` row it is that of the noise before: its size has the same mean square about
    zero (where peaks are held a larger one), and white noise a slope that is known to be smaller.

    Both are divided by the bias. ``floors`` of both (for a quantisation step of 1) times ``steps``
    (codes, shape (n,)) are added in quadrature where the measured noise does not hold them yet, so
    that neither output is ever 0.
    """
    origin, bias = quiet
    floor, slope_floor = floors
    level, slope = levels
    width = trace.shape[2]
    for row in range(trace.shape[0]):
        variance, slopes, pieces = 0.0, 0.0, 0
        for piece in range(trace.shape[1]):
            if origin[row, piece] < 0:
                break
            pieces += 1
            samples = trace[row, piece]
            total, squares = 0.0, 0.0
            for j in range(width):
                value = np.float64(samples[j])
                total += value
                squares += value * value
            for j in range(1, width - 1):
                half = 0.5 * (np.float64(samples[j + 1]) - np.float64(samples[j - 1]))
                slopes += half * half
            if rectified:
                variance += squares / width
            else:
                variance += max(squares - total * total / width, 0.0) / (width - 1)
        scale = 1.0 / (bias[row] * bias[row] * pieces)
        if rectified:
            slopes /= HALF_NORMAL
        level[row] = with_quantisation(scale * variance, (floor * steps[row]) ** 2)
        slope[row] = with_quantisation(
            scale * slopes / (width - 2), (slope_floor * steps[row]) ** 2
        )


def quantisation_floor(taps: FloatArray) -> tuple[float, float]:
    """Return what a quantisation step of 1 leaves after the filter: in the level, in the slope.

    Rounding to steps of size q is noise of variance q²/12 (common practice), white to a good
    approximation; the filter weighs it by the root sum of squares of its taps, and half the
    difference of two outputs two samples apart by that of the differenced taps.
    """
    whole = whole_taps(taps)
    slope = 0.5 * np.convolve(whole, [1.0, 0.0, -1.0])
    one = 1.0 / np.sqrt(12.0)
    return float(one * np.linalg.norm(whole)), float(one * np.linalg.norm(slope))


def noise_correlation(taps: FloatArray) -> FloatArray:
    """Return how white noise after the filter correlates with itself 0, 1, 2 ... samples later."""
    whole = whole_taps(taps).astype(np.float64)
    later = np.correlate(whole, whole, "full")[whole.size - 1 :]
    return np.asarray(later / later[0])


@dataclass(frozen=True, eq=False, slots=True)
class NoiseMeter:
    """What the noise of a record is measured with: filter, quantisation, period.

    Attributes
    ----------
    taps : ndarray, shape (k + 1,), working type
    zero_code, step : float
        In codes.
    period : float
        Of the probe's nominal frequency, in samples.
    rectified, gated_only : bool
        As in `ascan.waveform.recording.Recording`.
    """

    taps: AnyArray
    zero_code: float
    step: float
    period: float
    rectified: bool = False
    gated_only: bool = False
    floor: tuple[float, float] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "floor", quantisation_floor(self.taps))

    def measure(self, block: AnyArray, first: IntArray, last: IntArray) -> Levels:
        """Return level and slope level of each row's noise round its gate.

        Parameters
        ----------
        block : ndarray, shape (n, samples), stored type
        first, last : ndarray, shape (n,)
            The gate: first sample, and the one after the last.

        Returns
        -------
        levels : Levels
            Of the conditioned noise.
        """
        rows, samples = block.shape
        length = stretch_length(samples, self.period)
        steps = np.full(rows, self.step)
        if block.dtype.kind == "f":
            float_steps(block, self.step, steps)
        origin, bias = np.empty((rows, PIECES), np.int64), np.empty(rows)
        room = np.empty((3, 2 * samples // length), self.taps.dtype)
        quantiles = rank_quantiles(room.shape[1])
        beside = -(-(self.taps.size - 1) // (length // 2))
        stretches = Stretches(length // 2, quantiles, self.gated_only, beside)
        quiet = Quiet(origin, bias)
        quiet_stretches(block, (first, last), stretches, steps, room, quiet)
        trace = np.empty((rows, PIECES, length), self.taps.dtype)
        condition_pieces(block, self.zero_code, origin, self.taps, trace)
        levels = Levels(np.empty(rows), np.empty(rows))
        spread_rows(trace, quiet, steps, self.floor, self.rectified, levels)
        return levels
