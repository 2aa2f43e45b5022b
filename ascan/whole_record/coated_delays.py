"""Fits of one record that leave the delay of its coating open, as one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ascan.kernels.arrays import FloatArray
from ascan.whole_record.coated_problem import CoatedRecord

# Delays that leave up to so many variances of the noise beyond the best lie within so many times u.
NOT_REFUTED, WITHIN = 3.84, 1.9


def shares(each: list[CoatedRecord]) -> FloatArray:
    """Return how likely each of several fits is.

    As likely as what it leaves says, times the stretch of mismatches that it allows.
    """
    best = min(each, key=lambda one: one.left)
    behind = np.array([(one.left - best.left) / best.noise**2 for one in each])
    share = np.exp(-0.5 * behind) * np.array([one.u_mismatch for one in each])
    return np.asarray(share / share.sum())


def averaged(each: list[CoatedRecord]) -> CoatedRecord:
    """Return the mean of several fits; u is that of their mixture."""
    share, numbers = shares(each), np.array([one.numbers for one in each])
    mean = share @ numbers
    apart = numbers[:, 1] - mean[1]
    u = np.sqrt(share @ (np.array([one.u_spacing for one in each]) ** 2 + apart**2))
    best = min(each, key=lambda one: one.left)
    return replace(best, numbers=mean, u_spacing=float(u))


def over_delays(each: list[CoatedRecord]) -> CoatedRecord:
    """Return the mean of fits at several delays; u leaves out none that is not refuted.

    What a thin coating does goes with the square of its delay: alike beforehand are all squares,
    not all delays, or those near 0 would draw the mean to them.
    """
    numbers, best = np.array([one.numbers for one in each]), min(each, key=lambda one: one.left)
    share = shares(each) * numbers[:, 2]
    share /= share.sum()
    mean = share @ numbers
    apart = np.abs(numbers[:, 1] - mean[1])
    behind = np.array([one.left - best.left for one in each]) / best.noise**2
    furthest = np.max(apart[behind <= NOT_REFUTED]) / WITHIN
    own = share @ np.array([one.u_spacing for one in each]) ** 2
    u = np.sqrt(own + max(share @ apart**2, furthest**2))
    return replace(best, numbers=mean, u_spacing=float(u))
