"""RECORD_STUCK: what a reading rests on stands still where the rest of its record moves.

A digitiser that hangs, a packet that was lost and filled up, a stuck record. How often two
neighbouring codes are equal is taken from the record itself, so that a signal quieter than a
quantisation step is not taken for one: a run is told that chance makes once in 10¹² samples. What
stands still after the last echo of an interval says nothing of it.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.kernels.arrays import AnyArray, BoolArray, IntArray
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
def mark_frozen(
    block: AnyArray,
    ends: IntArray,
    silence: tuple[float, float],
    clips: tuple[float, float],
    found: BoolArray,
) -> None:
    """Mark rows of a block, shape (n, samples), that stand still in part ahead of ``ends``.

    Not at a clipping level, and not within a step of ``zero``: that is padding, or silence.
    """
    zero, step = silence
    for row in range(block.shape[0]):
        samples, size = block[row], min(block.shape[1], ends[row])
        j = 0
        while j + LEAST_RUN <= size:
            value = samples[j]
            if samples[j + STRIDE] != value or not clips[0] < value < clips[1]:
                j += STRIDE
                continue
            low, high = j, j
            while low > 0 and samples[low - 1] == value:
                low -= 1
            while high + 1 < samples.size and samples[high + 1] == value:
                high += 1
            run = high - low
            silent = abs(np.float64(value) - zero) <= step
            if run >= LEAST_RUN and not silent and is_no_chance(samples, run):
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
    """Return which readings rest on what stands still; blanks and held peaks do so anyway."""
    recording, found = seen.about.recording, np.zeros(seen.rows, np.bool_)
    if not (recording.gated_only or recording.peak_held):
        clips = (float(recording.clip_low), float(recording.clip_high))
        silence = (float(recording.zero_code), float(recording.step))
        mark_frozen(seen.spiked, _ends(seen), silence, clips, found)
    return {"stands_still": found}


def _ends(seen: CheckInput) -> IntArray:
    """Return how many samples of each record its reading rests on, shape (n,)."""
    ends = np.full(seen.rows, seen.block.shape[1])
    if seen.layout.times_single_echoes:
        peak = seen.echoes[seen.layout.gates[-1]].peak
        ends = np.where(peak >= 0, peak + seen.about.reach + LEAST_RUN, ends)
    return ends


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag them."""
    return {Flag.RECORD_STUCK: found["stands_still"]}


CHECK = Check(name="record_stuck", stage=Stage.ECHOES, evidence=evidence, judge=judge)
