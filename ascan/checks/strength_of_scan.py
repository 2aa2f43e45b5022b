"""How weak an echo may be among the others of its scan, where nothing frees them of coupling."""

from __future__ import annotations

import numpy as np

from ascan.kernels.arrays import FloatArray

# Among the echoes of a scan, weak is what lies two deviations below the middle one, and 2 dB at
# least (a pit under a fifth of the beam). A middle one further below the steps than 2 dB and what
# coupling makes of few readings on a step is no measure: something may lie under all of the scan.
# 20 dB below is weak in any.
SPREADS, LEAST_DROP_DB, LOWEST_USUAL_DB, LOWEST_DB = 2.0, 2.0, -2.0, -20.0
# Between steps the height of a dual probe's echo is known to a fifth (aperture integral).
DUAL_DROP_DB = 3.0
# The middle of so many readings of a step is usual.
ENOUGH_READINGS = 3
# So much of a normal distribution lies below its mean and one deviation.
ONE_DEVIATION = 0.841


def least_of_scan(
    strength: FloatArray, drop_db: float = LEAST_DROP_DB, per_step: float = np.inf
) -> float:
    """Return how weak an echo may be among the others of a scan that nothing frees of coupling.

    By how much the louder ones exceed the middle one, in decibels: coupling makes echoes louder as
    often as weaker, what lies in the wall or under it does not. A scan that is weak throughout does
    not become normal.

    Parameters
    ----------
    strength : ndarray, shape (n,)
        `relative_amplitude` of its readings.
    drop_db : float
        At least so far below the middle one.
    per_step : float
        Readings of each step. Of fewer than three, what is usual at a depth is known only as well
        as two steps tell that coupling moves as it moves this scan.
    """
    level_db = 20.0 * np.log10(strength)
    middle_db, louder_db = np.median(level_db), float(np.quantile(level_db, ONE_DEVIATION))
    by_chance_db = 0.0
    if per_step < ENOUGH_READINGS:
        by_chance_db = SPREADS * max(louder_db - float(middle_db), 0.0) / np.sqrt(2.0 * per_step)
    usual_db = max(float(middle_db), LOWEST_USUAL_DB - by_chance_db)
    spread_db = max(louder_db - usual_db, 0.0)
    least_db = usual_db - max(drop_db, SPREADS * spread_db)
    return float(10.0 ** (max(least_db, LOWEST_DB) / 20.0))
