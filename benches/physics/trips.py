"""The answer of a layered stack, taken apart by how often sound crossed path and wall.

The reflection of films, wall and backing behind a path with a probe at its end is one geometric
series in the path, each term of which is one in the wall. Taken apart, each term keeps its own
length, and so its own diffraction; summed, the terms are the transfer matrices' answer again
(Brekhovskikh 1960 for the series of a plate, from memory; the powers by the binomial theorem).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb

import numpy as np

from physics.layers import Complexes, Scattering


@dataclass(frozen=True, slots=True)
class Trip:
    """``path`` times there and back along the path, ``wall`` times there and back in the wall."""

    path: int
    wall: int


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Stack:
    """What the parts of a stack do to a wave; every array has shape (f,).

    Attributes
    ----------
    front : Scattering
        Films between the path (near side) and the wall (far side).
    wall_twice, path_twice : ndarray of complex
        exp(−2 i k d) of wall and path; of no path, 1.
    back : ndarray of complex
        Reflection at the wall's far face, seen from the wall.
    face : ndarray of complex
        Reflection at the probe's face, seen from the path.
    """

    front: Scattering
    wall_twice: Complexes
    path_twice: Complexes
    back: Complexes
    face: Complexes


def trip_weight(stack: Stack, trip: Trip) -> Complexes:
    """Return what all ways of making a trip give together, shape (f,); n of path, m of wall.

    One trip down the path meets R = r + t t' q / (1 − r' q), with q the wall there and back; n
    trips give R^n times the face's reflection n − 1 times. This is the term of q^m in it.
    """
    front, n, m = stack.front, trip.path, trip.wall
    down = stack.path_twice**n * stack.face ** (n - 1)
    if m == 0:
        return np.asarray(down * front.reflected**n)
    crossed = front.through * front.through_back
    inside = np.zeros_like(crossed)
    for j in range(1, min(n, m) + 1):
        ways = comb(n, j) * comb(m - 1, j - 1)
        inside += ways * front.reflected ** (n - j) * crossed**j * front.reflected_back ** (m - j)
    return np.asarray(down * inside * (stack.wall_twice * stack.back) ** m)
