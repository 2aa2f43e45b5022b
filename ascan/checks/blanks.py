"""A record of a gate only: what the instrument left out is blank, and may have held signal."""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.kernels.arrays import AnyArray, BoolArray, FloatArray, IntArray
from ascan.kernels.jit import compiled


@compiled
def mark_blanks(
    block: AnyArray,
    gate: tuple[IntArray, IntArray],
    place: FloatArray,
    peak: FloatArray,
    reach: int,
    found: tuple[BoolArray, BoolArray],
) -> None:
    """Mark rows in which a blank lies in the gate, and those in which one is in an echo's reach.

    A blank is a run of at least ``reach`` equal codes; a signal too quiet to move the digitiser
    cannot be told from one, and is taken for one. An echo in a blank of the gate would not be seen;
    one within the reach of a blank may have begun before it, or go on behind it.

    Parameters
    ----------
    block : ndarray, shape (n, samples), stored type
    gate : pair of ndarray, shape (n,)
        First sample of the record in it, and the one after the last.
    place, peak : ndarray, shape (n,)
        Timed place and echo peak of the echo, in samples of the record (NaN: no echo).
    reach : int
        One and a half periods, in samples.
    """
    first, last = gate
    cut_short, at_edge = found
    for row in range(block.shape[0]):
        samples = block[row]
        begin, end = np.inf, -np.inf
        if np.isfinite(place[row]):
            begin = min(place[row], peak[row]) - reach - 1.0
            end = max(place[row], peak[row]) + reach + 1.0
        start = 0
        for j in range(1, samples.size + 1):
            if j < samples.size and samples[j] == samples[start]:
                continue
            if j - start >= reach:
                if start < last[row] and j > first[row]:
                    cut_short[row] = True
                if start <= end and j - 1 >= begin:
                    at_edge[row] = True
            start = j


def evidence(seen: CheckInput) -> Evidence:
    """Return in which rows a blank lies in the gate, and in the echo's reach."""
    cut_short, at_edge = np.zeros(seen.rows, np.bool_), np.zeros(seen.rows, np.bool_)
    at = seen.at
    if seen.about.recording.gated_only:
        gate = (at.trace.first + at.origin, at.trace.last + at.origin)
        found = (cut_short, at_edge)
        mark_blanks(seen.block, gate, at.place, at.echo_peak, seen.about.reach, found)
    return {"in_gate": cut_short, "in_reach": at_edge}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag them."""
    return {Flag.GATE_CUT_SHORT: found["in_gate"], Flag.AT_GATE_EDGE: found["in_reach"]}


CHECK = Check(name="blanks", stage=Stage.GATE, evidence=evidence, judge=judge)
