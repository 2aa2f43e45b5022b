"""What goes wrong with codes that were stored: holes, stuck bits, another clock, another gain.

Every function takes codes of shape (n, samples) and returns new ones. Times are of records of
100 MHz.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ascan.kernels.arrays import AnyArray

Codes = Callable[[AnyArray, np.random.Generator], AnyArray]


def holes(codes: AnyArray, rng: np.random.Generator) -> AnyArray:
    out = codes.astype(np.float32)
    where = rng.integers(0, codes.shape[1], len(codes))
    out[np.arange(len(codes)), where] = rng.choice([np.nan, np.inf, -np.inf], len(codes))
    return out


def stuck_bit(codes: AnyArray, rng: np.random.Generator) -> AnyArray:
    return codes | np.asarray(1 << rng.integers(6, 10, (len(codes), 1)), codes.dtype)


def frozen_end(codes: AnyArray, rng: np.random.Generator) -> AnyArray:
    out = codes.copy()
    for row, at in enumerate(rng.integers(50, codes.shape[1] - 50, len(codes))):
        out[row, at:] = out[row, at]
    return out


def late_by(low_us: float, high_us: float) -> Codes:
    def shift(codes: AnyArray, rng: np.random.Generator) -> AnyArray:
        return moved(codes, rng.uniform(low_us, high_us, len(codes)))

    return shift


def late_by_wandering(most_us: float) -> Codes:
    """Return a trigger whose delay wanders slowly: a sine over some 20 records, random phase."""

    def shift(codes: AnyArray, rng: np.random.Generator) -> AnyArray:
        phase = rng.uniform(0.0, 2.0 * np.pi) + 2.0 * np.pi * np.arange(len(codes)) / 20.0
        return moved(codes, most_us * np.sin(phase))

    return shift


def moved(codes: AnyArray, late_us: AnyArray) -> AnyArray:
    """Return records that begin early by so much each, to whole samples of 100 MHz."""
    out = np.zeros_like(codes)
    for row, us in enumerate(late_us):
        out[row] = np.roll(codes[row], round(us * 100.0))
    return out


def clock_off(ahead: float) -> Codes:
    """Stretch time since the trigger by up to 10 %, which lies so many samples ahead."""

    def stretch(codes: AnyArray, rng: np.random.Generator) -> AnyArray:
        index, out = np.arange(codes.shape[1]), np.empty_like(codes)
        for row, rate in enumerate(rng.choice([0.9, 0.95, 1.05, 1.1], len(codes))):
            where = (index + ahead) * rate - ahead
            inside = (where >= 0.0) & (where <= index[-1])
            noise = np.rint(rng.normal(0.0, 5.0, index.size))
            out[row] = np.where(inside, np.rint(np.interp(where, index, codes[row])), noise)
        return out

    return stretch


def louder_later(db_per_us: float) -> Codes:
    """Raise the gain with time since the record's first sample, which the block's was not."""

    def raise_gain(codes: AnyArray, rng: np.random.Generator) -> AnyArray:
        gain = 10.0 ** (db_per_us * 0.01 * np.arange(codes.shape[1]) / 20.0)
        kind = np.iinfo(codes.dtype)
        return np.rint(codes * gain).clip(kind.min, kind.max).astype(codes.dtype)

    return raise_gain


def same_for_all(codes: AnyArray, rng: np.random.Generator) -> AnyArray:
    return np.repeat(codes[:1], len(codes), axis=0)
