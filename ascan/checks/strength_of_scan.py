"""How weak an echo may be among the others of its scan, where nothing frees them of coupling."""

from __future__ import annotations

import numpy as np

from ascan.kernels.arrays import FloatArray

# Among the echoes of a scan, weak is what lies two deviations below the middle one, and 2 dB at
# least (a pit under a fifth of the beam). A middle one more than 2 dB below the steps is no
# measure: something may lie under all of the scan. 20 dB below is weak in any.
SPREADS, LEAST_DROP_DB, LOWEST_USUAL_DB, LOWEST_DB = 2.0, 2.0, -2.0, -20.0
# Between steps the height of a dual probe's echo is known to a fifth (aperture integral).
DUAL_DROP_DB = 3.0
# So much of a normal distribution lies below its mean and one deviation.
ONE_DEVIATION = 0.841


def least_of_scan(strength: FloatArray, drop_db: float = LEAST_DROP_DB) -> float:
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
    """
    level_db = 20.0 * np.log10(strength)
    usual_db = max(float(np.median(level_db)), LOWEST_USUAL_DB)
    spread_db = max(float(np.quantile(level_db, ONE_DEVIATION)) - usual_db, 0.0)
    least_db = usual_db - max(drop_db, SPREADS * spread_db)
    return float(10.0 ** (max(least_db, LOWEST_DB) / 20.0))
