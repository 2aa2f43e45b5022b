"""The steps that a calibration rests on, with the means of their readings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.base.stored import freeze_arrays, stored
from ascan.kernels.arrays import FloatArray, IntArray


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Steps:
    """The steps a calibration rests on; every array has shape (steps,).

    Attributes
    ----------
    thickness_mm, u_thickness_mm : ndarray
        As certified, and its standard uncertainty.
    interval_us, u_interval_us : ndarray
        Mean of the readings and its random standard uncertainty.
    readings : ndarray, int64
        How many readings the mean is of.
    residual_mm : ndarray
        Thickness that the calibration gives for the mean, minus the certified one; for a dual probe
        the calibration is fitted without that step.
    """

    thickness_mm: FloatArray = stored("mm", "certified thickness")
    u_thickness_mm: FloatArray = stored("mm", "its standard uncertainty")
    interval_us: FloatArray = stored("us", "mean interval")
    u_interval_us: FloatArray = stored("us", "its random standard uncertainty")
    readings: IntArray = stored("1", "readings the mean is of")
    residual_mm: FloatArray = stored("mm", "calibrated thickness minus certified thickness")

    def __post_init__(self) -> None:
        freeze_arrays(self)


def steps_as_known(known_mm: FloatArray, u_known_mm: FloatArray) -> Steps:
    """Return the steps before anything was measured on them."""
    nothing = np.full(known_mm.size, np.nan)
    return Steps(
        thickness_mm=known_mm,
        u_thickness_mm=u_known_mm,
        interval_us=nothing,
        u_interval_us=nothing,
        readings=np.ones(known_mm.size, np.int64),
        residual_mm=nothing,
    )
