"""What a pipe's curvature takes from the reading of two elements that straddle its crown."""

from __future__ import annotations

# The separation that a calibration finds is an effective number, good to some fifteen percent, and
# enters squared.
U_SHARE = 0.3


def sagitta_mm(half_separation_mm: float, outside_diameter_mm: float) -> tuple[float, float]:
    """Return what is to be added to a reading, and its standard uncertainty, both in mm.

    The points where sound enters and leaves the wall lie s from the crown, s² / 2R below it: the
    path down is so much shorter than the wall under the crown.

    References
    ----------
    Sagitta of a circle, R − √(R² − s²) = s² / 2R to first order (exact geometry).

    Examples
    --------
    >>> [round(value, 4) for value in sagitta_mm(1.5, 60.0)]
    [0.0375, 0.0112]
    """
    radius_mm = 0.5 * outside_diameter_mm
    added_mm = half_separation_mm**2 / (2.0 * radius_mm)
    return added_mm, U_SHARE * added_mm
