"""The model of an echo train, and its fit by least squares."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.kernels.jit import compiled
from ascan.timing.matched import nearest_place
from ascan.waveform.template import PLACES

# An echo may be so much weaker than the one before it, and hardly stronger.
LEAST_DECAY, MOST_DECAY = 0.02, 1.1
ROUNDS = 40
# Begin, spacing, height, decay, and the interface echo's height.
PARAMETERS = 5


class Room(NamedTuple):
    """Arrays that are written anew for every model: its derivatives and itself.

    Attributes
    ----------
    jacobian : ndarray, shape (PARAMETERS, samples)
    model : ndarray, shape (samples,)
    """

    jacobian: FloatArray
    model: FloatArray


@compiled
def model_of(
    numbers: FloatArray,
    size: int,
    bank: tuple[FloatArray, FloatArray],
    form: tuple[bool, int],
    room: Room,
) -> None:
    """Write a train and its derivatives by begin, spacing, height, decay and interface height.

    ``bank`` holds `ascan.waveform.template.Template.shapes` and ``slopes``; ``form`` says whether
    there is an interface echo, and how many echoes there are.
    """
    interface, echoes = form
    shapes, slopes = bank
    jacobian, model = room
    half = (shapes.shape[1] - 1) // 2
    model[:] = 0.0
    jacobian[:] = 0.0
    begin, spacing, height, decay, front = numbers
    weight, before = 1.0, 0.0
    for k in range(-1 if interface else 0, echoes):
        centre = begin + k * spacing
        if centre - half > size:
            break
        middle = int(np.rint(centre))
        place = nearest_place(centre - middle)
        rest = centre - middle - (place / PLACES - 0.5)
        strength = front if k < 0 else height * weight
        for m in range(shapes.shape[1]):
            j = middle + m - half
            if 0 <= j < size:
                steep = slopes[place, m]
                value = shapes[place, m] - rest * steep
                model[j] += strength * value
                jacobian[0, j] -= strength * steep
                jacobian[1, j] -= strength * k * steep
                if k < 0:
                    jacobian[4, j] += value
                else:
                    jacobian[2, j] += weight * value
                    jacobian[3, j] += height * k * before * value
        if k >= 0:
            before = weight
            weight *= decay


@compiled
def heights_of(samples: AnyArray, jacobian: FloatArray, interface: bool) -> tuple[float, float]:
    """Return the least-squares heights of train and interface echo, all else given."""
    train, front, shared, first, second = 0.0, 0.0, 0.0, 0.0, 0.0
    for j in range(samples.size):
        value = np.float64(samples[j])
        train += jacobian[2, j] * jacobian[2, j]
        first += jacobian[2, j] * value
        if interface:
            front += jacobian[4, j] * jacobian[4, j]
            shared += jacobian[2, j] * jacobian[4, j]
            second += jacobian[4, j] * value
    if not interface:
        return (first / train, 0.0) if train > 0.0 else (0.0, 0.0)
    determinant = train * front - shared * shared
    if not determinant > 1e-9 * train * front:
        return (first / train, 0.0) if train > 0.0 else (0.0, 0.0)
    return (
        (first * front - second * shared) / determinant,
        (second * train - first * shared) / determinant,
    )


@compiled
def fit_train(
    samples: AnyArray,
    numbers: FloatArray,
    bank: tuple[FloatArray, FloatArray],
    form: tuple[bool, int],
    room: Room,
    covariance: FloatArray,
) -> float:
    """Fit a train to samples by least squares, Levenberg's way; return the energy it leaves.

    ``numbers`` is the start and is overwritten. ``covariance`` is written for noise of level 1.
    """
    count = PARAMETERS if form[0] else PARAMETERS - 1
    jacobian, model = room
    size = samples.size
    normal, right = np.zeros((count, count)), np.zeros(count)
    kept, wanted = normal.copy(), right.copy()
    good, trial = numbers.copy(), numbers.copy()
    damping, least = 1e-2, np.inf
    if not form[0]:
        trial[4] = 0.0
    model_of(trial, size, bank, form, room)
    trial[2], trial[4] = heights_of(samples, jacobian, form[0])
    for _ in range(ROUNDS):
        model_of(trial, size, bank, form, room)
        left = 0.0
        for j in range(size):
            off = np.float64(samples[j]) - model[j]
            left += off * off
        if not np.isfinite(left):
            return np.inf
        if left <= least:
            settled = least - left <= 1e-9 * left
            least = left
            good[:] = trial
            damping *= 0.2
            for a in range(count):
                wanted[a] = 0.0
                for j in range(size):
                    wanted[a] += jacobian[a, j] * (np.float64(samples[j]) - model[j])
                for b in range(a + 1):
                    total = 0.0
                    for j in range(size):
                        total += jacobian[a, j] * jacobian[b, j]
                    kept[a, b] = kept[b, a] = total
            if settled:
                break
        else:
            damping *= 10.0
            if damping > 1e6:
                break
        normal[:] = kept
        for a in range(count):
            normal[a, a] = kept[a, a] * (1.0 + damping + 1e-12) + 1e-200
        step = np.linalg.solve(normal, wanted)
        trial[:count] = good[:count] + step
        trial[3] = min(max(trial[3], LEAST_DECAY), MOST_DECAY)
        # No step goes further than a quarter of the spacing.
        trial[1] = min(max(trial[1], 0.75 * good[1]), 1.25 * good[1])
    numbers[:] = good
    for a in range(count):
        kept[a, a] = kept[a, a] * (1.0 + 1e-12) + 1e-200
    covariance[:count, :count] = np.linalg.inv(kept)
    return least
