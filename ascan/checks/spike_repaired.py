"""SPIKE_REPAIRED: lone samples that were mended (`ascan.waveform.spikes`) lie under an echo."""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.kernels.arrays import AnyArray, BoolArray, FloatArray
from ascan.kernels.jit import compiled


@compiled
def mark_spiked(
    block: AnyArray,
    mended: AnyArray,
    place: FloatArray,
    peak: FloatArray,
    reach: int,
    found: BoolArray,
) -> None:
    """Mark rows in which a mended sample lies within ``reach`` of an echo.

    ``place`` and ``peak``, shape (n,), are its timed place and echo peak in samples (NaN: none).
    """
    for row in range(block.shape[0]):
        if not np.isfinite(place[row]):
            continue
        start = int(np.floor(min(place[row], peak[row]))) - reach
        stop = int(np.ceil(max(place[row], peak[row]))) + reach + 1
        for j in range(max(start, 0), min(stop, block.shape[1])):
            if block[row, j] != mended[row, j]:
                found[row] = True
                break


def evidence(seen: CheckInput) -> Evidence:
    """Return in which rows an echo of the interval rests on a mended sample."""
    found = np.zeros(seen.rows, np.bool_)
    for name in seen.layout.gates if seen.spiked is not seen.block else ():
        echo = seen.echoes[name]
        place = (echo.time_us - seen.start_time_us) * seen.rate
        peak = echo.peak.astype(np.float64)
        mark_spiked(seen.spiked, seen.block, place, peak, seen.about.reach, found)
    return {"mended": found}


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag them."""
    return {Flag.SPIKE_REPAIRED: found["mended"]}


CHECK = Check(name="spike_repaired", stage=Stage.ECHOES, evidence=evidence, judge=judge)
