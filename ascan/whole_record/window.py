"""The window of a record that a model is fitted to, and how much each of its samples counts."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ascan.kernels.arrays import AnyArray
from ascan.kernels.jit import compiled

# A sample that stands out by so many times what is left, and its neighbours do not, is a spike.
SPIKE, SPIKE_NEIGHBOUR = 8.0, 0.4
# No record is quieter than a third of a code.
LEAST_NOISE = 0.3


class Records(NamedTuple):
    """Records to fit, and what they mean.

    Attributes
    ----------
    block : ndarray, shape (n, samples), stored type
    zero : float
        Code of zero.
    clips : tuple of float
        The clipping levels.
    longest : int
        Most samples of a window.
    """

    block: AnyArray
    zero: float
    clips: tuple[float, float]
    longest: int


class Window(NamedTuple):
    """Samples from zero, and their weights, each of shape (size,) and float32."""

    samples: AnyArray
    weight: AnyArray


@compiled
def load_window(
    record: AnyArray, zero: float, clips: tuple[float, float], begin: int, window: Window
) -> None:
    """Write a window of a record, clipped samples and their neighbours at 0."""
    samples, weight = window
    size = samples.size
    clipped = False
    for j in range(size):
        code = np.float64(record[begin + j])
        samples[j] = code - zero
        weight[j] = 1.0
        if code <= clips[0] or code >= clips[1]:
            clipped = True
            weight[j] = 0.0
    if clipped:
        for j in range(size):
            code = np.float64(record[begin + j])
            if code <= clips[0] or code >= clips[1]:
                weight[max(j - 1, 0)] = 0.0
                weight[min(j + 1, size - 1)] = 0.0
        for j in range(size):
            samples[j] *= weight[j]


@compiled
def load_rails(
    record: AnyArray, zero: float, clips: tuple[float, float], begin: int, rails: AnyArray
) -> bool:
    """Write the clipping level where a window's samples clip, from zero, else 0; tell if any do."""
    found = False
    for j in range(rails.size):
        code = np.float64(record[begin + j])
        rails[j] = 0.0
        if code <= clips[0] or code >= clips[1]:
            rails[j], found = code - zero, True
    return found


@compiled
def trust_less(
    window: Window, shape: AnyArray, start: int, scatter: float, noise: float, half: int
) -> None:
    """Let samples under the interface echo count for less: it is not quite the same everywhere.

    ``scatter`` is by how much, in codes where the echo's size is 1; its size is the largest within
    half a period.
    """
    samples, weight = window
    if not scatter > 0.0:
        return
    for j in range(max(start, 0), min(start + shape.size, samples.size)):
        size = np.float32(0.0)
        for k in range(max(j - start - half, 0), min(j - start + half + 1, shape.size)):
            size = max(size, abs(shape[k]))
        share = np.float32(1.0 / np.sqrt(1.0 + (scatter * size / max(noise, LEAST_NOISE)) ** 2))
        samples[j] *= share
        weight[j] *= share


@compiled
def drop_spikes(residual: AnyArray, level: float, window: Window) -> int:
    """Set lone samples far off the model to weight 0; return how many."""
    samples, weight = window
    dropped = 0
    for j in range(1, residual.size - 1):
        size = abs(residual[j])
        if size <= SPIKE * level or weight[j] == 0.0:
            continue
        beside = max(abs(residual[j - 1]), abs(residual[j + 1]))
        if beside < SPIKE_NEIGHBOUR * size:
            weight[j] = 0.0
            samples[j] = 0.0
            dropped += 1
    return dropped
