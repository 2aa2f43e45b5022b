"""What the fit of a layered record says of itself: noise, other echoes, what is left."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.kernels.jit import compiled
from ascan.kernels.sums import dot
from ascan.whole_record.columns import WAVES, Work, solve_heights, take_off

# Noise may leave an echo of so many of its deviations (once in 10⁵ records).
OTHER_SIGMAS = 6.0


# So many periods round the interface echo and the wall's, what is left is their own.
OWN_PERIODS = 1.5
# Half of normal noise is smaller than so many of its standard deviations.
NORMAL_MEDIAN = 0.6745


# Noise is related over so many periods at most.
RELATED = 1.0


class Evidence(NamedTuple):
    """What each fit says of itself, shape (n,); NaN where it did not come so far.

    Attributes
    ----------
    spacing, u_spacing : ndarray
        In samples.
    left : ndarray
        Standard deviation of what is left, in codes.
    alternative, odds : ndarray
        Spacing of the likeliest other one, and twice the log odds against it.
    front, wall : ndarray
        Heights of the interface echo and of the first back-wall echo, in codes.
    top : ndarray
        Largest half-cycle of the back-wall echo, in codes.
    shape_residual : ndarray
        What of the first back-wall echo is left, share of its root mean square.
    other, by_noise, where : ndarray
        Largest echo that is left and what noise may leave, over the wall's; its spacing.
    """

    spacing: FloatArray
    u_spacing: FloatArray
    left: FloatArray
    alternative: FloatArray
    odds: FloatArray
    front: FloatArray
    wall: FloatArray
    top: FloatArray
    shape_residual: FloatArray
    other: FloatArray
    by_noise: FloatArray
    where: FloatArray


class Other(NamedTuple):
    """An echo that is left, and what noise may leave, over the wall's; its spacing."""

    share: float
    by_noise: float
    where: float


@compiled
def influence(columns: tuple[int, int], work: Work, out: AnyArray) -> None:
    """Write by how much the spacing follows each sample."""
    moved, shared, inverse = work.moved, work.shared, work.inverse
    by_begin, by_spacing = inverse[1, 0], inverse[1, 1]
    for j in range(out.size):
        out[j] = np.float32(by_begin) * moved[0, j] + np.float32(by_spacing) * moved[1, j]
    heights = by_begin * shared[0] + by_spacing * shared[1]
    take_off(out, work, columns, heights)


@compiled
def related_noise(residual: AnyArray, follows: AnyArray, lags: int, free: int) -> float:
    """Return the standard deviation of a weighted sum of noise related as the residual is.

    Not less than what unrelated noise of the same level gives: the fit takes up noise that is like
    an echo, so that what is left seems to hold less of it.
    """
    size = residual.size
    total, alone = 0.0, 0.0
    for lag in range(min(lags, size - 1)):
        noise = dot(residual[: size - lag], residual[lag:]) / free
        weight = dot(follows[: size - lag], follows[lag:])
        total += (1.0 if lag == 0 else 2.0) * noise * weight
        if lag == 0:
            alone = noise * weight
    return float(np.sqrt(max(total, alone)))


@compiled
def unexpected_echo(
    products: AnyArray,
    shape: AnyArray,
    heights: tuple[float, float],
    spaced: tuple[float, float],
    period: float,
) -> Other:
    """Return the largest echo that is left.

    ``products`` are of the wall's pulse with what is left. Looked at is all that comes after the
    interface echo, but for the wall's own first echo. ``heights`` are the wall's and the noise's,
    ``spaced`` the interface echo's place and the spacing.
    """
    wall, noise = heights
    place, spacing = spaced
    energy = dot(shape, shape)
    best, where, looked_at = 0.0, 0.0, 0
    sizes = np.empty(products.size)
    for j in range(int(place + OWN_PERIODS * period) + 1, products.size):
        if abs(j - place - spacing) < OWN_PERIODS * period:
            continue
        sizes[looked_at] = abs(products[j])
        looked_at += 1
        if abs(products[j]) > best:
            best, where = abs(products[j]), j - place
    # Grain goes on all along; an echo stands in one place, which moves no median.
    level = np.median(sizes[:looked_at]) / NORMAL_MEDIAN if looked_at else 0.0
    by_noise = OTHER_SIGMAS * max(noise / np.sqrt(energy), level / energy)
    return Other(best / energy / abs(wall), by_noise / abs(wall), where)


@compiled
def own_left(
    rest: AnyArray, weight: AnyArray, start: int, shape: AnyArray, height: float, half: int
) -> float:
    """Return what is left within ``half`` samples of an echo's top, as a share of the echo there.

    Both are root mean squares; NaN where nothing of the echo counts.
    """
    top = int(np.argmax(np.abs(shape)))
    left, energy = 0.0, 0.0
    for j in range(max(top - half, -start, 0), min(top + half + 1, shape.size, rest.size - start)):
        if weight[start + j] > 0.0:
            left += np.float64(rest[start + j]) ** 2
            energy += (height * np.float64(shape[j])) ** 2
    return np.sqrt(left / energy) if energy > 0.0 else np.nan


@compiled
def left_alone(samples: AnyArray, work: Work, rest: AnyArray) -> float:
    """Return the energy that interface echo and baseline alone leave; ``rest`` is overwritten."""
    alone = Work(
        work.starts,
        work.shapes,
        work.slopes,
        work.dense,
        work.gram,
        work.heights,
        rest,
        work.moved,
        work.shared,
        work.inverse,
    )
    return solve_heights(samples, (1, WAVES), alone)
