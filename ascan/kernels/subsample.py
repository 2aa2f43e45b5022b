"""Where between the samples: three-point peaks and four-point crossings."""

from __future__ import annotations

from typing import Any

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.kernels.jit import compiled

# Between the samples of a band-limited trace more are laid, so many to one, by a windowed sinc over
# so many samples on each side; on those a cosine or a cubic leaves next to nothing.
DENSE, SPAN = 8, 8
# Kaiser's β: signals up to 0.3 of the sample rate come out to a ten-thousandth.
BETA = 8.0


def _dense_taps() -> FloatArray:
    """Return the weights of samples −SPAN + 1..SPAN for each eighth of a sample, (DENSE, 2 SPAN).

    The sinc interpolator under a Kaiser window (any text on digital filters, common practice), each
    row scaled to give back a constant.
    """
    off = np.arange(DENSE)[:, None] / DENSE - np.arange(-SPAN + 1, SPAN + 1)
    window = np.i0(BETA * np.sqrt(np.maximum(1.0 - (off / SPAN) ** 2, 0.0)))
    taps = np.sinc(off) * window
    return np.asarray(taps / taps.sum(axis=1, keepdims=True))


DENSE_TAPS = _dense_taps()


@compiled
def cosine_height(before: float, middle: float, after: float) -> float:
    """Return the height of the cosine through three samples, the middle one near its crest."""
    turn, slope = 0.5 * (before + after) / middle, 0.5 * (after - before)
    return float(np.sqrt(middle * middle + slope * slope / max(1.0 - turn * turn, 1e-6)))


@compiled
def peak_offset(before: Any, middle: Any, after: Any) -> Any:
    """Return how far a peak lies from its middle sample, in samples, within ±0.5.

    A cosine through three samples, exact for a sampled sinusoid; a parabola where the samples fit
    no cosine. Equal samples (a plateau) give 0.

    References
    ----------
    cos θ = (y₋ + y₊) / (2 y₀), offset = atan((y₊ − y₋) / (2 y₀ sin θ)) / θ: closed form of the
    cosine through three samples (interpolator usually credited to Céspedes et al. 1995, Ultrasonic
    Imaging 17; credit from memory, the form itself is re-derived and tested as exact).
    """
    if middle == 0.0:
        return 0.0
    bend = before - 2.0 * middle + after
    if bend == 0.0:
        return 0.0
    cosine = (before + after) / (2.0 * middle)
    if -1.0 < cosine < 1.0:
        angle = np.arccos(cosine)
        offset = np.arctan((after - before) / (2.0 * middle * np.sin(angle))) / angle
    else:
        offset = 0.5 * (before - after) / bend
    return min(0.5, max(-0.5, offset))


@compiled
def peak_height(before: Any, middle: Any, after: Any) -> Any:
    """Return the height of the peak that `peak_offset` places."""
    offset = peak_offset(before, middle, after)
    cosine = (before + after) / (2.0 * middle) if middle != 0.0 else 1.0
    if -1.0 < cosine < 1.0:
        return middle / np.cos(np.arccos(cosine) * offset)
    return middle + 0.25 * (after - before) * offset


@compiled
def cubic(y0: float, y1: float, y2: float, y3: float, x: float) -> float:
    """Return the cubic through four samples at −1, 0, 1, 2, at place x (Lagrange form)."""
    a = (-y0 + 3.0 * y1 - 3.0 * y2 + y3) / 6.0
    b = (y0 - 2.0 * y1 + y2) / 2.0
    c = (-2.0 * y0 - 3.0 * y1 + 6.0 * y2 - y3) / 6.0
    return ((a * x + b) * x + c) * x + y1


@compiled
def cubic_slope(y0: float, y1: float, y2: float, y3: float, x: float) -> float:
    """Return the slope of that cubic at place x, per sample."""
    a = (-y0 + 3.0 * y1 - 3.0 * y2 + y3) / 2.0
    b = y0 - 2.0 * y1 + y2
    c = (-2.0 * y0 - 3.0 * y1 + 6.0 * y2 - y3) / 6.0
    return (a * x + b) * x + c


@compiled
def crossing_fraction(y0: float, y1: float, y2: float, y3: float, level: float) -> float:
    """Return where in 0..1 the cubic through samples −1, 0, 1, 2 reaches a level.

    The level must lie between y1 and y2. Newton's steps, each replaced by a halving where it would
    leave the bracket, so that the answer is bracketed whatever the outer samples do.
    """
    low, high = 0.0, 1.0
    rising = y2 > y1
    place = (level - y1) / (y2 - y1) if y2 != y1 else 0.5
    for _ in range(40):
        miss = cubic(y0, y1, y2, y3, place) - level
        if (miss < 0.0) == rising:
            low = place
        else:
            high = place
        slope = cubic_slope(y0, y1, y2, y3, place)
        better = place - miss / slope if slope != 0.0 else -1.0
        if not low <= better <= high:
            better = 0.5 * (low + high)
        step = abs(better - place)
        place = better
        if step < 1e-10:
            break
    return place


@compiled
def dense_value(samples: AnyArray, eighth: int) -> float:
    """Return a band-limited trace at so many eighths of a sample; beyond the trace it is 0."""
    whole, part = eighth // DENSE, eighth % DENSE
    if not 0 <= whole < samples.size:
        return 0.0
    if part == 0:
        return np.float64(samples[whole])
    total = 0.0
    low, high = max(whole - SPAN + 1, 0), min(whole + SPAN + 1, samples.size)
    for j in range(low, high):
        total += DENSE_TAPS[part, j - whole + SPAN - 1] * np.float64(samples[j])
    return total


@compiled
def dense_peak(samples: AnyArray, place: float, period: float) -> tuple[float, float, float]:
    """Return place, height and curvature (per sample²) of the peak next to a place.

    A cosine through three places a twentieth of a period apart, or a sample where that is less.
    """
    if not 0.0 <= place < samples.size:
        return np.nan, np.nan, np.nan
    apart = max(min(int(np.rint(DENSE * period / 20.0)), DENSE), 1)
    eighth = int(np.rint(place * DENSE))
    middle = dense_value(samples, eighth)
    way = 1.0 if middle >= 0.0 else -1.0
    before, after = dense_value(samples, eighth - apart), dense_value(samples, eighth + apart)
    for _ in range(DENSE):
        if before * way > middle * way:
            eighth, middle, after = eighth - apart, before, middle
            before = dense_value(samples, eighth - apart)
        elif after * way > middle * way:
            eighth, middle, before = eighth + apart, after, middle
            after = dense_value(samples, eighth + apart)
        else:
            break
    offset = peak_offset(before, middle, after) * apart
    bend = (before - 2.0 * middle + after) * (DENSE / apart) ** 2
    return (eighth + offset) / DENSE, peak_height(before, middle, after), bend


@compiled
def dense_crossing(samples: AnyArray, place: float, way: int, level: float) -> tuple[float, float]:
    """Return where a band-limited trace (times ``way``) crosses a level, and its slope per sample.

    ``place`` is where a cubic through the samples has it; the crossing is sought a sample to each
    side of that, the nearest first; where none is, ``place`` stays.
    """
    if not 0.0 <= place < samples.size:
        return place, np.nan
    start = int(np.floor(place * DENSE))
    for k in range(2 * DENSE):
        eighth = start + (k + 1) // 2 * (1 if k % 2 == 1 else -1)
        y1 = dense_value(samples, eighth) * way
        y2 = dense_value(samples, eighth + 1) * way
        if (y1 - level) * (y2 - level) <= 0.0 and y1 != y2:
            y0 = dense_value(samples, eighth - 1) * way
            y3 = dense_value(samples, eighth + 2) * way
            return (eighth + crossing_fraction(y0, y1, y2, y3, level)) / DENSE, (y2 - y1) * DENSE
    return place, np.nan
