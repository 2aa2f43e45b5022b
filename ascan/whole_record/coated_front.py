"""Which coating an interface echo may have come through: its delay, and the mismatch with it.

For every delay the interface echo is next to linear in how much the coating's near face reflects:
two pulses at neighbouring mismatches span it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from ascan.base.flags import FATAL, Flag
from ascan.kernels.arrays import AnyArray, FloatArray


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Try:
    """A row as the search with one kind of coating reads it."""

    kind: tuple[int, int]
    guess: Guess
    place_us: float
    spacing_us: float
    left: float
    flags: int
    alternative_us: float
    alternative_odds: float

    @property
    def refused(self) -> bool:
        """Whether more speaks against it than a fit of the coating may answer."""
        fatal = self.flags & int(FATAL) & ~int(Flag.AMBIGUOUS)
        return bool(fatal) or not np.isfinite(self.spacing_us + self.left)


# The two pulses' mismatches lie so far to each side of what is expected; others than this far off
# are none of a coating.
BESIDE, FURTHEST = 0.15, 0.5
# Delays count as different from this part of a period on.
APART = 0.3


@dataclass(frozen=True, eq=False, slots=True)
class Guess:
    """A coating that may be there, and where the echo from beneath it then is.

    Attributes
    ----------
    number : int
        Of its delay, in steps.
    mismatch : float
        Half the logarithm of the coating's impedance over the path's.
    place : int
        Sample, from the first of those that were looked at.
    """

    number: int
    mismatch: float
    place: int


@dataclass(frozen=True, eq=False, slots=True)
class CoatedFronts:
    """Interface echoes of all delays.

    Attributes
    ----------
    bare : ndarray, shape (size,)
    along : ndarray, shape (delays, 2, size)
        Orthonormal; the first delay is one step.
    back : ndarray, shape (delays, 2, 2)
        What products with them say of the heights of the two pulses.
    mismatch : float
        As expected.
    kinds : tuple of int
        Delays that each kind of coating ends with, in steps: thin ones first.
    apart : int
        Steps that different delays differ by.
    every : int
        Of the samples, each so manyth is looked at.
    """

    bare: FloatArray
    along: FloatArray
    back: FloatArray
    mismatch: float
    kinds: tuple[int, ...]
    apart: int
    every: int

    @classmethod
    def made(
        cls,
        pulse: Callable[[float, float], FloatArray],
        delays_us: FloatArray,
        mismatch: float,
        kinds: tuple[int, ...],
        apart: int,
        every: int,
    ) -> CoatedFronts:
        """Return them from a function of delay and mismatch that makes an interface echo."""
        along, back = [], []
        for late_us in delays_us:
            two = [pulse(late_us, mismatch + side)[::every] for side in (-BESIDE, BESIDE)]
            q, r = np.linalg.qr(np.stack(two).T)
            along.append(q.T)
            back.append(np.linalg.inv(r))
        bare = pulse(0.0, mismatch)
        return cls(bare, np.stack(along), np.stack(back), mismatch, kinds, apart, every)

    def likely(self, samples: AnyArray, lags: int, each: int) -> list[Guess]:
        """Return the bare wall and the likeliest coatings, ``each`` so many of a kind.

        The first echo of a thin wall is like that of a thick coating and takes more energy with it
        than a thin coating does: the kinds are not weighed against each other.

        Parameters
        ----------
        samples : ndarray, shape (lags + size - 1,)
        """
        windows = sliding_window_view(samples, self.bare.size)[:lags, :: self.every]
        bare = int(np.argmax((windows @ self.bare[:: self.every]) ** 2))
        guesses = [Guess(0, self.mismatch, bare)]
        delays, size = len(self.along), self.along.shape[2]
        seen = (windows @ self.along.reshape(2 * delays, size).T).reshape(lags, delays, 2)
        energy = np.sum(seen**2, axis=2)
        heights = np.einsum("dij,ldj->ldi", self.back, seen)
        total = heights.sum(axis=2)
        lean = BESIDE * (heights[:, :, 1] - heights[:, :, 0]) / np.where(total == 0.0, 1.0, total)
        energy = np.where((total != 0.0) & (np.abs(lean) <= FURTHEST), energy, 0.0)
        for first, last in pairwise((0, *self.kinds)):
            own = energy[:, first:last]
            for _ in range(each):
                if not own.any():
                    break
                place, number = np.unravel_index(int(np.argmax(own)), own.shape)
                found = self.mismatch + float(lean[place, first + number])
                guesses.append(Guess(first + int(number) + 1, found, int(place)))
                own[:, max(number - self.apart, 0) : number + self.apart + 1] = 0.0
        return guesses
