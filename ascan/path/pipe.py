"""What a pipe's curvature does to a reading: two elements astride its crown, a flat face."""

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


def film_mm(element_diameter_mm: float, outside_diameter_mm: float) -> tuple[float, float]:
    """Return the film under a flat round face on a pipe, and its standard uncertainty, both in mm.

    The face touches along the crown; couplant fills the gap beside it. The echo comes through all
    of the film, from none of it at the crown to most at the rim: its mean over the face, as likely
    to be anything between none and twice that (rectangular).

    References
    ----------
    Gap x² / 2R beside the crown of a circle, to first order; its mean over a disc of radius a is
    a² / 8R (exact geometry).

    Examples
    --------
    >>> [round(value, 4) for value in film_mm(6.0, 114.3)]
    [0.0197, 0.0114]
    """
    mean_mm = (0.5 * element_diameter_mm) ** 2 / (8.0 * 0.5 * outside_diameter_mm)
    return mean_mm, mean_mm / 3.0**0.5
