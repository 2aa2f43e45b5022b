"""Combs over the echoes of step records: how well a spacing and an origin explain them."""

from __future__ import annotations

import numpy as np

from ascan.drafting.pulse import Records
from ascan.kernels.arrays import BoolArray, FloatArray

# Echoes of a train that count, and what a place without one costs against a full one.
TEETH, EMPTY = 3, 0.2
# Velocities that are tried, mm/µs.
SLOWEST, FASTEST = 2.2, 7.2


def compressed(records: Records) -> FloatArray:
    """Return envelopes over their largest, drawn together: low echoes count, too."""
    tops = records.envelope.max(axis=1, keepdims=True)
    return np.asarray(np.sqrt(records.envelope / np.maximum(tops, 1e-12)))


def teeth(
    records: Records,
    shift_us: FloatArray,
    origins_us: FloatArray,
    slowness: FloatArray,
    only: tuple[BoolArray, float] | None = None,
) -> FloatArray:
    """Return what combs find, shape (steps, origins, slownesses): full teeth less empty ones.

    Parameters
    ----------
    records : Records
    shift_us : ndarray, shape (n,)
        Each record's own origin, to which those tried are added.
    origins_us : ndarray, shape (origins,)
    slowness : ndarray, shape (slownesses,)
        Round trip in µs for each mm of a step.
    only : (ndarray of bool, float), optional
        Records that stand for one step of such a thickness; else all, by their steps.
    """
    size, number = compressed(records), np.arange(1, TEETH + 1)
    groups = [only] if only else [(records.of_step(step), step) for step in records.steps_mm]
    out = np.zeros((len(groups), origins_us.size, slowness.size))
    for k, (chosen, step) in enumerate(groups):
        rows = np.flatnonzero(chosen)
        for row in rows:
            place_us = shift_us[row] + origins_us[:, None, None] + slowness[:, None] * step * number
            inside = place_us <= records.time_us[row, -1]
            found = np.interp(place_us, records.time_us[row], size[row], left=0.0)
            out[k] += np.where(inside, found - EMPTY, 0.0).sum(axis=2) / rows.size
    return out
