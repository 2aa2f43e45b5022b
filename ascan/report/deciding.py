"""The verdicts of a set of readings against the procedure's minimum, in words."""

from __future__ import annotations

import numpy as np

from ascan.results.readings import Readings
from ascan.results.shown import length
from ascan.results.summary import is_void
from ascan.uncertainty.decision import WORDS, Decision, WholeScan


def decision_lines(readings: Readings, decision: Decision) -> list[str]:
    """Return counts by verdict, and the probability that all measured positions conform."""
    void = is_void(readings.columns)
    codes = np.where(void, 0, readings.columns["decision"])
    out = [
        f"against a minimum of {length(decision.minimum_mm)} with a guard band of "
        f"{decision.guard:g} × the expanded uncertainty:"
    ]
    for code, (word, meaning) in enumerate(WORDS.items()):
        count = int(np.count_nonzero(codes == code))
        if count:
            out.append(f"{count:>8}  {word}: {meaning}")
    whole = WholeScan(decision)
    columns = readings.columns
    whole.add(
        np.where(void, np.nan, columns["thickness_mm"]),
        columns["u_random_mm"],
        columns["u_common_mm"],
    )
    out.append(
        f"all {whole.rows} measured positions have at least the minimum with probability "
        f"{whole.probability:.4g}; ground not scanned, refused positions and pits smaller than the "
        "beam are not covered by that"
    )
    return out
