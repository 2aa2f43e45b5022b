"""Which trains a record may hold: products with one echo, and the energies of trains."""

from __future__ import annotations

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray, IntArray
from ascan.kernels.jit import compiled
from ascan.timing.matched import dot_at

# How much weaker an echo may be than the one before it, in the search; the fit leaves it free.
DECAYS = (0.55, 0.75, 0.92)
MOST_ECHOES = 32
# Spacings are tried in steps of half a sample, beginnings on every crest of the correlation that
# reaches this part of the largest.
LEAST_CREST = 0.15


@compiled
def correlations(samples: AnyArray, shape: FloatArray, out: FloatArray) -> None:
    """Write the product of the shape with the trace at every sample."""
    for j in range(samples.size):
        out[j] = dot_at(samples, j, shape)


@compiled
def crests_of(products: FloatArray, first: int, last: int, beside: int, out: IntArray) -> int:
    """Write where trains may begin: crests of the correlation, and places beside them; how many."""
    largest = 0.0
    for j in range(first, last):
        largest = max(largest, abs(products[j]))
    count = 0
    for j in range(max(first, 1), min(last, products.size - 1)):
        size = abs(products[j])
        crest = size >= abs(products[j - 1]) and size > abs(products[j + 1])
        if crest and size >= LEAST_CREST * largest and count + 3 <= out.size:
            for k in range(-1, 2):
                out[count] = j + k * beside
                count += 1
    return count


@compiled
def explained(
    products: FloatArray,
    own: FloatArray,
    begin: int,
    spacing: float,
    decay: float,
    energy: FloatArray,
) -> float:
    """Return the energy that a train explains, with an interface echo one spacing ahead or without.

    ``own`` is the template's product with itself so many samples apart; ``energy``, of one train of
    this spacing: its own, and its product with the interface echo.
    """
    total, weight = 0.0, 1.0
    for k in range(MOST_ECHOES):
        place = begin + int(np.rint(k * spacing))
        if place >= products.size or weight < 0.01:
            break
        total += weight * products[place]
        weight *= decay
    alone = total * total / energy[0]
    ahead = begin - int(np.rint(spacing))
    if ahead < 0:
        return np.float64(alone)
    front, shared = products[ahead], energy[1]
    determinant = own[0] * energy[0] - shared * shared
    if determinant <= 1e-9 * own[0] * energy[0]:
        return np.float64(alone)
    both = energy[0] * front * front - 2.0 * shared * front * total + own[0] * total * total
    return np.float64(max(alone, both / determinant))


@compiled
def train_energy(own: FloatArray, spacing: float, decay: float, energy: FloatArray) -> None:
    """Write the energy of a train of height 1, and its product with an echo one spacing ahead."""
    energy[0], energy[1] = 0.0, 0.0
    weight = 1.0
    for k in range(MOST_ECHOES):
        ahead = int(np.rint((k + 1) * spacing))
        if ahead < own.size:
            energy[1] += weight * own[ahead]
        other = 1.0
        for m in range(MOST_ECHOES):
            apart = abs(int(np.rint(k * spacing)) - int(np.rint(m * spacing)))
            if apart < own.size:
                energy[0] += weight * other * own[apart]
            other *= decay
        weight *= decay
        if weight < 0.01:
            break


@compiled
def train_energies(own: FloatArray, spacings: tuple[float, float]) -> FloatArray:
    """Return `train_energy` of every spacing, half a sample apart, and decay that is tried."""
    energies = np.empty((int(2.0 * (spacings[1] - spacings[0])) + 1, len(DECAYS), 2))
    for n in range(energies.shape[0]):
        for d in range(len(DECAYS)):
            train_energy(own, spacings[0] + 0.5 * n, DECAYS[d], energies[n, d])
    return energies
