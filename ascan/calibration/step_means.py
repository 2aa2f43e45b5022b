"""Step readings gathered by step, and what a step may be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.base.errors import calibration_fault as fault
from ascan.kernels.arrays import FloatArray, IntArray
from ascan.steps.means import Steps

# Known thicknesses that differ by less mean one step.
SAME_STEP_MM = 0.001


# A step known no better than to this part of it is no reference.
MOST_STEP_U = 0.1


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class StepMeans:
    """Readings gathered by step, every array of shape (steps,); spread pooled over all steps."""

    thickness_mm: FloatArray
    u_thickness_mm: FloatArray
    interval_us: FloatArray
    u_interval_us: FloatArray
    readings: IntArray
    repeatability_us: float

    @property
    def repeat_freedom(self) -> int:
        """Degrees of freedom of the repeatability."""
        return int((self.readings - 1).sum())

    def steps(self, residual_mm: FloatArray) -> Steps:
        """Return them as the steps of a calibration that leaves so much."""
        return Steps(
            thickness_mm=self.thickness_mm,
            u_thickness_mm=self.u_thickness_mm,
            interval_us=self.interval_us,
            u_interval_us=self.u_interval_us,
            readings=self.readings,
            residual_mm=residual_mm,
        )


def check_step_u_mm(known_mm: FloatArray, u_known_mm: FloatArray) -> None:
    """Refuse standard uncertainties that no step can have.

    Raises
    ------
    AscanError
        One is not above 0, or more than a tenth of its step: a value in µm, most likely.
    """
    bad = np.flatnonzero(~((u_known_mm > 0.0) & (u_known_mm <= MOST_STEP_U * known_mm)))
    if bad.size:
        raise fault(
            "standard uncertainty of the steps",
            f"is {u_known_mm[bad[0]]:g} mm on the {known_mm[bad[0]]:g} mm step",
            allowed="above 0 (no block is exact) and up to a tenth of the step, in mm",
        )


def one_value_a_step(known_mm: FloatArray) -> FloatArray:
    """Return thicknesses of which those that differ by less than a micrometre are made one.

    Examples
    --------
    >>> one_value_a_step(np.array([5.0, 10.0, 5.0002])).tolist()
    [5.0001, 10.0, 5.0001]
    """
    order = np.argsort(known_mm, kind="stable")
    step = np.cumsum(np.diff(known_mm[order], prepend=known_mm[order][:1]) >= SAME_STEP_MM)
    out = np.empty(known_mm.shape)
    out[order] = (np.bincount(step, known_mm[order]) / np.bincount(step))[step]
    return out


def gather_steps(
    known_mm: FloatArray, u_known_mm: FloatArray, interval_us: FloatArray, u_interval_us: FloatArray
) -> StepMeans:
    """Average the readings of each step; what they scatter beyond noise is the repeatability.

    Parameters
    ----------
    known_mm, u_known_mm : ndarray, shape (readings,)
        Certified thickness of the step each reading was taken on, and its standard uncertainty
        (common to all readings of a step, so it does not average out).
    interval_us, u_interval_us : ndarray, shape (readings,)
        Interval, and its random standard uncertainty from noise.
    """
    steps, index, readings = np.unique(known_mm, return_inverse=True, return_counts=True)
    count = steps.size
    mean = np.bincount(index, interval_us, count) / readings
    noise = np.bincount(index, u_interval_us**2, count) / readings
    u_known = np.zeros(count)
    np.maximum.at(u_known, index, u_known_mm)
    freedom = known_mm.size - count
    excess = 0.0
    if freedom > 0:
        excess = _excess_variance(interval_us - mean[index], u_interval_us**2, freedom)
    return StepMeans(
        thickness_mm=steps,
        u_thickness_mm=u_known,
        interval_us=mean,
        u_interval_us=np.sqrt((noise + excess) / readings),
        readings=readings.astype(np.int64),
        repeatability_us=float(np.sqrt(excess)),
    )


def _excess_variance(off_us: FloatArray, variance: FloatArray, freedom: int) -> float:
    """Return the τ² for which Σ off² / (u² + τ²) equals the degrees of freedom; 0 where none does.

    Readings weigh by their own noise: one noisy step does not decide for all. Of equal noise, it is
    what the readings scatter beyond it (Mandel and Paule 1970, Anal. Chem. 42, 1194; from memory).
    """
    # Imported where it is needed: it doubles the time that the whole package takes to load.
    from scipy.optimize import brentq

    def beyond(excess: float) -> float:
        share = off_us.size / freedom
        return float(np.sum(off_us**2 / (variance + excess))) * share - off_us.size

    if not beyond(0.0) > 0.0:
        return 0.0
    high = float(np.sum(off_us**2)) / freedom
    return float(brentq(beyond, 0.0, high, xtol=1e-6 * high))
