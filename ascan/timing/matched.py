"""Laying a template on a trace: where it fits best, how large it is there, and what noise makes.

For an echo of known shape in white noise the place of the largest correlation is the least-squares
and the maximum-likelihood delay.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.base.flags import Flag
from ascan.finding.half_cycle import SETTLED_ODDS
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray, IntArray, SignArray
from ascan.kernels.jit import compiled
from ascan.kernels.subsample import peak_height, peak_offset
from ascan.timing.protocol import EchoRows
from ascan.timing.rows import Rows
from ascan.waveform.template import PLACES

UNSURE = np.uint32(Flag.CYCLE_UNCERTAIN)


@compiled
def dot_at(samples: AnyArray, place: int, shape: FloatArray) -> float:
    """Return the product of a trace and a shape whose middle lies on a sample; beyond it, 0."""
    half = (shape.size - 1) // 2
    low, high = max(place - half, 0), min(place + half + 1, samples.size)
    total = 0.0
    for j in range(low, high):
        total += np.float64(samples[j]) * shape[j - place + half]
    return total


@compiled
def best_lag(
    samples: AnyArray, top: int, reach: int, shape: FloatArray, count: int
) -> tuple[int, int, float]:
    """Return the sample within ``reach`` of ``top`` where the shape fits best, and its polarity.

    And the difference of the squares of the product there and at the next best crest.

    With ``count`` 0 a shape turned over fits as well; with ±1 only that polarity counts. −1 where
    there is no crest within the reach.
    """
    best, height, alternative, way = -1, 0.0, 0.0, 1
    # One lag further on each side than may be taken: the end of the reach is no crest.
    before, here = 0.0, dot_at(samples, top - reach, shape)
    for lag in range(top - reach + 1, top + reach + 1):
        after = dot_at(samples, lag, shape)
        sign = 1 if here > 0.0 else -1
        if (count == 0 or sign == count) and lag > top - reach + 1:
            crest = abs(here) >= max(before * sign, after * sign)
            # Sampled coarsely, the wrong crest may hold the largest sample.
            size = abs(peak_height(before, here, after)) if crest else 0.0
            if size > height:
                alternative, best, height, way = height, lag - 1, size, sign
            elif size > alternative:
                alternative = size
        before, here = here, after
    return best, way, height * height - alternative * alternative


class Laid(NamedTuple):
    """Where templates lie on n rows: the sample (−1: nowhere) and the polarity, shape (n,) each."""

    lags: IntArray
    ways: SignArray


class Sought(NamedTuple):
    """A shape, and the polarity in which it is laid; 0: that of the row, which may be either."""

    shape: FloatArray
    polarity: int


class Shapes(NamedTuple):
    """A template laid out between the samples; noise of level 1 moves an echo of height 1 so far.

    Attributes
    ----------
    shapes, slopes : ndarray, shape (places + 1, size)
        As in `ascan.waveform.template.Template`.
    gain : float
        In samples.
    """

    shapes: FloatArray
    slopes: FloatArray
    gain: float


@compiled
def best_lags(
    rows: Rows, sought: Sought, reach: int, gain: float, laid: Laid, flags: FlagArray
) -> None:
    """Write the best lag and polarity of each row; flag what noise may have decided.

    ``gain`` is the standard deviation of the product with noise of level 1. Of an echo of known
    shape and unknown height, a delay's log likelihood is half the square of its product over the
    noise's variance in it; it is unsure where twice the log odds against the next crest are few.
    """
    for row in range(rows.peak.size):
        laid.lags[row], laid.ways[row] = -1, 1
        if rows.peak[row] < 0:
            continue
        count = sought.polarity if sought.polarity != 0 else rows.counts[row]
        lag, way, excess = best_lag(rows.trace[row], rows.peak[row], reach, sought.shape, count)
        if lag < 0:
            continue
        laid.lags[row], laid.ways[row] = lag, way
        if excess < SETTLED_ODDS * (gain * rows.noise[row]) ** 2:
            flags[row] |= UNSURE


def place_templates(echoes: EchoRows, flags: FlagArray) -> Laid:
    """Return where each echo's template fits best, to the sample, and its polarity.

    Sought within one and a half periods of the echo peak. Flag: ``CYCLE_UNCERTAIN``.
    """
    shape, count = echoes.template.shapes[PLACES // 2], echoes.peak.size
    sought = Sought(shape, echoes.template.polarity)
    laid = Laid(np.empty(count, np.int64), np.empty(count, np.int8))
    reach = int(np.ceil(1.5 * echoes.period))
    gain = noise_gain(shape, echoes.noise_correlation)
    best_lags(echoes.rows, sought, reach, gain, laid, flags)
    return laid


@compiled
def nearest_place(offset: float) -> int:
    """Return the index of the laid-out place next to an offset in samples."""
    return int(min(max(np.rint((offset + 0.5) * PLACES), 0.0), np.float64(PLACES)))


@compiled
def between_samples(
    samples: AnyArray, lag: int, way: int, shapes: FloatArray, slopes: FloatArray
) -> tuple[float, float]:
    """Return where between the samples the correlation is largest, and the echo's height there.

    A cosine through three values, then a Newton step from the nearest laid-out place.
    """
    middle = shapes[PLACES // 2]
    offset = peak_offset(
        dot_at(samples, lag - 1, middle) * way,
        dot_at(samples, lag, middle) * way,
        dot_at(samples, lag + 1, middle) * way,
    )
    height = 0.0
    for _ in range(2):
        k = nearest_place(offset)
        shape, slope = shapes[k], slopes[k]
        energy, steep = 0.0, 0.0
        for j in range(shape.size):
            energy += shape[j] * shape[j]
            steep += slope[j] * slope[j]
        height = dot_at(samples, lag, shape) * way / energy
        if height <= 0.0:
            return np.nan, np.nan
        step = -dot_at(samples, lag, slope) * way / (height * steep)
        offset = (k / PLACES - 0.5) + min(max(step, -0.5), 0.5)
    return lag + offset, height


def shapes_of(echoes: EchoRows) -> Shapes:
    """Return the template of echoes, laid out between the samples."""
    template = echoes.template
    slope = template.slopes[PLACES // 2]
    gain = noise_gain(slope, echoes.noise_correlation) / float(slope @ slope)
    return Shapes(template.shapes, template.slopes, gain)


def noise_gain(weights: FloatArray, correlation: FloatArray) -> float:
    """Return the standard deviation of a weighted sum of noise samples of level 1.

    ``correlation`` is that of the noise with itself 0, 1, 2 ... samples later.
    """
    own = np.correlate(weights, weights, "full")[weights.size - 1 :]
    lags = min(own.size, correlation.size)
    total = own[0] * correlation[0] + 2.0 * (own[1:lags] @ correlation[1:lags])
    return float(np.sqrt(max(total, 0.0)))
