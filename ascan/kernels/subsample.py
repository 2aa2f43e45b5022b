"""Where between the samples: three-point peaks and four-point crossings."""

from __future__ import annotations

from typing import Any

import numpy as np

from ascan.kernels.jit import compiled


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
