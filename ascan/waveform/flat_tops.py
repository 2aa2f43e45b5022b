"""Crests cut flat at a level that no recording declares: what clipped there would not be known.

A receiver that is overdriven, or a record scaled after it clipped, stands still below the last code
of its type.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.waveform.scan import Scan

# So many records, evenly spread, are looked at; a level is told by so many crests that end at it.
RECORDS, CRESTS = 200, 3
# Fewer equal samples are any crest.
LEAST_RUN = 3


class FlatTops(NamedTuple):
    """Where crests are cut, and where nothing is that was declared to be.

    Attributes
    ----------
    low, high : float
        Levels, in codes, at which crests are cut; infinite where none is, or it is declared.
    beyond : float
        Code furthest beyond a declared level; NaN where none is.
    """

    low: float
    high: float
    beyond: float = math.nan

    def lines(self) -> list[str]:
        """Return in words which level to declare, or that a declared one is none."""
        ends = (("clip_low", "--clip-low", self.low), ("clip_high", "--clip-high", self.high))
        passed = [
            f"code {self.beyond:g} lies beyond a declared clipping level: nothing clips there, and "
            "echoes that reach it count as clipped; state the level where crests are cut"
        ]
        return passed * math.isfinite(self.beyond) + [
            f"crests are cut flat at code {level:g}, and {name} is not declared there: clipped "
            f"echoes are not known as such; state it with the scan ('ascan import {option} "
            f"{level:g}')"
            for name, option, level in ends
            if math.isfinite(level)
        ]


def flat_tops(scan: Scan) -> FlatTops:
    """Return at which undeclared levels the crests of a scan's records are cut.

    Parameters
    ----------
    scan : Scan
        Up to 200 of its records are looked at.

    Returns
    -------
    tops : FlatTops

    Notes
    -----
    A crest is a parabola near its top. If n samples stand still within one step of quantisation,
    the next one lies at most ((n + 1) / (n - 1))² + 1 steps lower; where it lies lower on both
    sides, something has cut the crest. Three such crests at the least and highest code of all tell
    a level. Noise moves the samples of a crest, and cannot make it flatter.
    """
    recording = scan.recording
    rows = np.unique(np.linspace(0, len(scan) - 1, min(len(scan), RECORDS)).astype(np.int64))
    records = scan.choose(rows).rows.read_block(0, rows.size).astype(np.float64)
    if not np.isfinite(records).all():
        records = records[np.isfinite(records).all(axis=1)]
    high, low = _cut_at(records), -_cut_at(-records)
    beyond = math.nan
    if records.size:
        tops = (float(records.max()), float(records.min()))
        passed = (tops[0] - recording.clip_high, recording.clip_low - tops[1])
        if max(passed) > recording.step:
            beyond = tops[int(passed[1] > passed[0])]
    known_high = recording.clip_high - recording.step <= high
    known_low = recording.rectified or recording.clip_low + recording.step >= low
    return FlatTops(-math.inf if known_low else low, math.inf if known_high else high, beyond)


def _cut_at(records: FloatArray) -> float:
    """Return the highest code if it is where crests are cut, else infinity."""
    changes = np.abs(np.diff(records, axis=1)) if records.size else np.zeros(0)
    if not (changes > 0.0).any():
        return math.inf
    step, top = float(changes[changes > 0.0].min()), float(records.max())
    at = np.zeros((len(records), records.shape[1] + 2), np.bool_)
    at[:, 1:-1] = records >= top - 0.5 * step
    edges: AnyArray = np.diff(at.astype(np.int8), axis=1)
    row, start = np.nonzero(edges == 1)
    stop = np.nonzero(edges == -1)[1]
    whole = (stop - start >= LEAST_RUN) & (start > 0) & (stop < records.shape[1])
    row, start, stop = row[whole], start[whole], stop[whole]
    run = (stop - start).astype(np.float64)
    fall = top - np.maximum(records[row, start - 1], records[row, stop])
    cut = fall > (((run + 1.0) / (run - 1.0)) ** 2 + 1.0) * step
    return top if int(cut.sum()) >= CRESTS else math.inf
