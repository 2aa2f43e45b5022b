"""RECORD_STUCK: part of a record stands still where the rest of it moves.

A digitiser that hangs, a packet that was lost and filled up, a stuck record. How often two
neighbouring codes are equal is taken from the record itself, so that a signal quieter than a
quantisation step is not taken for one: a run is told that chance makes once in 10¹² samples.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.kernels.arrays import AnyArray, BoolArray
from ascan.kernels.jit import compiled, compiled_sums

# A run of so many samples is looked into at all, and only if chance is this small (natural log).
LEAST_RUN, STRIDE = 32, 16
LOG_CHANCE = -27.6


@compiled_sums
def equal_neighbours(samples: AnyArray) -> int:
    """Return how many samples equal the one before."""
    found = 0
    for j in range(1, samples.size):
        found += samples[j] == samples[j - 1]
    return found


@compiled
def mark_frozen(block: AnyArray, zero: float, clips: tuple[float, float], found: BoolArray) -> None:
    """Mark rows of a block, shape (n, samples), part of which stands still.

    Not at a clipping level, and not at the code of ``zero``: that is padding, or silence.
    """
    size = block.shape[1]
    for row in range(block.shape[0]):
        samples = block[row]
        j = 0
        while j + LEAST_RUN <= size:
            value = samples[j]
            if samples[j + STRIDE] != value or not clips[0] < value < clips[1]:
                j += STRIDE
                continue
            low, high = j, j
            while low > 0 and samples[low - 1] == value:
                low -= 1
            while high + 1 < size and samples[high + 1] == value:
                high += 1
            run = high - low
            if run >= LEAST_RUN and value != zero and is_no_chance(samples, run):
                found[row] = True
                break
            j = max(high + 1, j + STRIDE)


@compiled
def is_no_chance(samples: AnyArray, run: int) -> bool:
    """Tell whether a run of so many equal neighbours is no chance in this record."""
    others = samples.size - 1 - run
    equal = max(equal_neighbours(samples) - run, 1)
    if others < LEAST_RUN:
        return True
    return bool(run * np.log(equal / others) < LOG_CHANCE)


def evidence(seen: CheckInput) -> Evidence:
    """Return which records stand still in part; blanks and held peaks do so anyway."""
    recording, found = seen.about.recording, np.zeros(seen.rows, np.bool_)
    if not (recording.gated_only or recording.peak_held):
        clips = (float(recording.clip_low), float(recording.clip_high))
        mark_frozen(seen.block, float(recording.zero_code), clips, found)
    return {"stands_still": found}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag them."""
    return {Flag.RECORD_STUCK: found["stands_still"]}


CHECK = Check(name="record_stuck", stage=Stage.RECORD, evidence=evidence, judge=judge)
