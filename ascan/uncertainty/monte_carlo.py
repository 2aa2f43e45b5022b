"""Propagation of distributions: the same model, its inputs drawn at random."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from ascan.kernels.arrays import FloatArray
from ascan.uncertainty.coverage import LEVEL

TRIALS = 200_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """What the trials gave: mean, standard deviation, ends of the 95 % interval."""

    mean: float
    u: float
    low: float
    high: float


def propagate(
    model: Callable[[Mapping[str, FloatArray]], FloatArray],
    draws: Mapping[str, Callable[[np.random.Generator, int], FloatArray]],
    *,
    trials: int = TRIALS,
    seed: int = 1,
) -> Drawn:
    """Draw every input, put the draws through the model, and sum up what comes out.

    Parameters
    ----------
    model : callable
        From a mapping of name to draws, shape (trials,), to the output, shape (trials,).
    draws : mapping of str to callable
        How each input is drawn, from a generator and the number of trials. An input that is drawn
        jointly with others has shape (trials, inputs).

    References
    ----------
    JCGM 101:2008, 7.2 to 7.7: at least 10 000 / (1 − p) trials; the probabilistically symmetric
    interval.
    """
    rng = np.random.default_rng(seed)
    out = model({name: draw(rng, trials) for name, draw in draws.items()})
    low, high = np.quantile(out, [0.5 - 0.5 * LEVEL, 0.5 + 0.5 * LEVEL])
    return Drawn(mean=float(out.mean()), u=float(out.std()), low=float(low), high=float(high))
