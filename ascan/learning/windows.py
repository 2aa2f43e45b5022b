"""Step readings cut to the windows that models of whole records are learned from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from ascan.kernels.arrays import BoolArray, FloatArray, IntArray
from ascan.learning.known import Known
from ascan.whole_record.pulse import PulseBasis
from ascan.whole_record.search import NEAR, find_front
from ascan.whole_record.step_records import StepRecords
from ascan.whole_record.window import Window, load_rails, load_window

# Interface echoes are aligned by their beginning, as far as so many periods on, in so many rounds.
OPENING_PERIODS, ALIGNING_ROUNDS = 1.5, 4


@dataclass(frozen=True, eq=False, slots=True)
class Picked:
    """Step readings whose interface echo was picked: when, and which of them are used."""

    known: Known
    time_us: FloatArray
    used: BoolArray

    @property
    def rows(self) -> IntArray:
        """Numbers of those that are used."""
        return np.flatnonzero(self.used)


def step_samples(
    known: Known, rows: IntArray, window: tuple[IntArray, IntArray], usual: FloatArray
) -> StepRecords:
    """Return some readings cut to windows; clipped samples do not count.

    Parameters
    ----------
    known : Known
    rows : ndarray, shape (n,)
        Their numbers.
    window : pair of ndarray, shape (n,)
        First sample of each, and the one after its last.
    usual : ndarray, shape (n,)
        Where the interface echo usually is, in samples of the window.
    """
    scan, (begin, ends) = known.scan, window
    recording = scan.recording
    clips = (float(recording.clip_low), float(recording.clip_high))
    width = int((ends - begin).max())
    samples, weight = np.zeros((rows.size, width)), np.zeros((rows.size, width))
    for k, row in enumerate(rows):
        record = scan.rows.read_block(int(row), int(row) + 1)[0]
        own = slice(0, int(ends[k] - begin[k]))
        zero, first = float(recording.zero_code), int(begin[k])
        load_window(record, zero, clips, first, Window(samples[k, own], weight[k, own]))
        rails = np.zeros_like(samples[k, own])
        load_rails(record, zero, clips, first, rails)
        samples[k, own] += rails
    steps, step = np.unique(known.ids[rows], return_inverse=True)
    u_step = np.zeros(steps.size)
    np.maximum.at(u_step, step, known.u_mm[rows])
    return StepRecords(samples, weight, known.mm[rows], step, u_step, usual)


def aligned(records: StepRecords, place: FloatArray, basis: PulseBasis) -> FloatArray:
    """Return places of interface echoes, moved so that all name the same part of the pulse.

    A pick may name one half-cycle here and the next one there, and no small step leads from one to
    the other. Each echo moves to where it is most like what those have in common that clip least.

    ``place``, shape (n,), says roughly where they are, in samples.
    """
    samples, weight = records.samples * records.weight, records.weight
    rails = records.samples - samples
    period = basis.sample_rate_mhz / basis.frequency_mhz
    reach, before = int(np.ceil(NEAR * period)), basis.before
    after = int(np.ceil(OPENING_PERIODS * period))
    padded = np.pad(records.samples, ((0, 0), (before, after)))
    opening = sliding_window_view(padded, before + after + 1, axis=1)
    rows, found = np.arange(len(place)), place
    clipped = np.count_nonzero(rails, axis=1)
    clean = clipped <= np.median(clipped)
    for _ in range(ALIGNING_ROUNDS):
        cut = opening[rows, np.rint(found).astype(np.int64)][clean]
        cut = cut / np.maximum(np.linalg.norm(cut, axis=1, keepdims=True), 1e-300)
        usual = np.linalg.svd(cut, full_matrices=False)[2][0]
        usual = usual if np.sum(cut @ usual) >= 0.0 else -usual
        found = np.array(
            [
                find_front(Window(y, w), rail, (usual, before), near, reach, True)[0]
                for y, w, rail, near in zip(samples, weight, rails, found, strict=True)
            ]
        )
    return found
