"""Which half-cycle of an echo is the calibration's: the one at its place under the envelope.

Where two half-cycles are about as high, noise decides which is the larger; their places under the
envelope are half a period or a period apart, and the calibration knows which of them it timed.
"""

from __future__ import annotations

import numpy as np

from ascan.finding.echo import LEAST_OF_CREST
from ascan.finding.rows import Trace
from ascan.kernels.arrays import FloatArray, IntArray
from ascan.kernels.jit import compiled

# From here on another half-cycle is nearer; none is further from its crest's place than this.
NEAREST_PERIODS = 0.25
# Twice the log odds that settle between two half-cycles of which noise may have picked either:
# four standard deviations.
SETTLED_ODDS = 16.0


@compiled
def usual_crests(
    trace: Trace, peak: IntArray, late: FloatArray, period: float, crest: IntArray
) -> None:
    """Write the crest that lies where the calibration's echo peak does; else the echo peak.

    It must be about as high as the echo peak: a lesser one is no half-cycle that noise passed over.

    Parameters
    ----------
    trace : Trace
    peak : ndarray, shape (n,)
        Own peaks; negative where there is none.
    late : ndarray, shape (n,)
        By how many periods the echo was timed later under its envelope than in the calibration.
    period : float
        In samples.
    crest : ndarray, shape (n,), int64
        Out.
    """
    slack = int(NEAREST_PERIODS * period)
    for row in range(peak.size):
        crest[row] = peak[row]
        if peak[row] < 0 or not abs(late[row]) > NEAREST_PERIODS:
            continue
        samples, count = trace.samples[row], trace.counts[row]
        place = peak[row] - int(np.rint(late[row] * period))
        best, height = peak[row], LEAST_OF_CREST * abs(np.float64(samples[peak[row]]))
        low, high = max(place - slack, trace.first[row], 1), place + slack + 1
        for j in range(low, min(high, trace.last[row] - 1)):
            here = np.float64(samples[j])
            way = 1.0 if here >= 0.0 else -1.0
            is_crest = here * way >= samples[j - 1] * way and here * way >= samples[j + 1] * way
            if is_crest and (count == 0 or way * count > 0.0) and abs(here) > height:
                best, height = j, abs(here)
        crest[row] = best
