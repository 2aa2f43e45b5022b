"""The line through the steps: zero, velocity, what they scatter by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.base.stored import freeze_arrays, stored
from ascan.kernels.arrays import FloatArray


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Fit:
    """Zero and velocity with their covariance, and what readings scatter by besides.

    Attributes
    ----------
    zero_us, velocity_mm_per_us : float
        Thickness is velocity × (interval − zero) / 2.
    covariance : ndarray, shape (2, 2)
        Of (zero_us, velocity_mm_per_us).
    repeatability_us : float
        Spread of repeated readings on one step beyond what noise explains; 0 only where no step
        was read twice or noise explains it all. It enters the random part of every reading.
    lack_of_fit_us : float
        Spread of the steps round the fit beyond what block and timing explain. It enters the
        common part of every reading.
    lack_freedom : float
        How well the lack of fit is known: 0 where it counts as exact.
    u_block_common_mm : float
        Standard uncertainty of an error that all steps of the block share.
    fitted_zero_us, u_fitted_zero_us : float
        Echo to echo the zero is 0 by definition; this is the one a free fit would give (NaN where
        it cannot be had), a figure of health.
    """

    zero_us: float = stored("us", "zero offset")
    velocity_mm_per_us: float = stored("mm/us", "velocity")
    covariance: FloatArray = stored("us, mm/us", "covariance of zero_us and velocity_mm_per_us")
    repeatability_us: float = stored("us", "spread of repeated readings beyond noise")
    lack_of_fit_us: float = stored("us", "spread of the steps beyond block and timing")
    fitted_zero_us: float = stored("us", "zero offset a free fit would give", np.nan)
    u_fitted_zero_us: float = stored("us", "its standard uncertainty", np.nan)

    lack_freedom: float = stored("1", "degrees of freedom of lack_of_fit_us", 0.0, later=True)
    u_block_common_mm: float = stored("mm", "u of an error that all steps share", 0.0, later=True)

    def __post_init__(self) -> None:
        freeze_arrays(self)
