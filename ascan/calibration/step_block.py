"""Fits of step-block readings: zero offset and velocity from intervals on known thicknesses."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import gammaincc

from ascan.base.errors import fault
from ascan.calibration.fit import Fit
from ascan.calibration.line import LineFit, fit_line, fit_line_both
from ascan.calibration.screening import Doubt, detectable_us, doubted_step
from ascan.kernels.arrays import FloatArray, IntArray
from ascan.path.direct import interval_us as interval_of
from ascan.path.direct import thickness_mm as thickness_of
from ascan.path.material import Material
from ascan.path.modes import MODES
from ascan.steps.means import Steps

# Residuals that chance gives less often than this show a lack of fit.
SIGNIFICANT = 0.05
# Known thicknesses that differ by less mean one step.
SAME_STEP_MM = 0.001
# A step known no better than to this part of it is no reference.
MOST_STEP_U = 0.1


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class StepFit:
    """What a fit of step readings gives.

    Attributes
    ----------
    fit : Fit
    steps : Steps
    p_value : float
        Of the steps' residuals by block and timing alone; NaN where nothing is left to test.
    freedom : int
        Their degrees of freedom.
    detectable_us : float
        The excess scatter that the test would have found in four of five blocks.
    doubt : Doubt, optional
        The step that fits least, where the others agree without it.
    """

    fit: Fit
    steps: Steps
    p_value: float = np.nan
    freedom: int = 0
    detectable_us: float = np.nan
    doubt: Doubt | None = None


@dataclass(frozen=True, eq=False, slots=True)
class EffectiveFit:
    """A line, the excess scatter it was fitted with (µs), and the p-value without it.

    ``detectable_us`` is the excess that the test would have found in four of five blocks; ``doubt``
    the step that fits least, where the others agree without it.
    """

    line: LineFit
    excess_us: float
    p_value: float
    detectable_us: float = np.nan
    doubt: Doubt | None = None


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

    def beyond(excess: float) -> float:
        share = off_us.size / freedom
        return float(np.sum(off_us**2 / (variance + excess))) * share - off_us.size

    if not beyond(0.0) > 0.0:
        return 0.0
    high = float(np.sum(off_us**2)) / freedom
    return float(brentq(beyond, 0.0, high, xtol=1e-6 * high))


def fit_steps(means: StepMeans, mode: str, material: Material) -> StepFit:
    """Fit zero offset and velocity to the steps.

    One step: the zero offset, the velocity being the material's; echo to echo, the velocity. Two
    steps: their difference gives the velocity, then the delay follows (ASTM E797/E797M-21, 8.2.2).
    More: weighted least squares. Echo to echo the zero offset is 0 by definition.

    Both axes are uncertain: the line is York's; one through the origin weighs its steps by
    u² = u_t² + (2 u_d / v)² (effective variance, JCGM 100:2008 5.1.2).

    Raises
    ------
    AscanError
        The times do not grow with the thickness.
    """
    if not MODES[mode].free_zero:
        return _fit_through_zero(means)
    if means.thickness_mm.size == 1:
        return _fit_zero_offset(means, material)
    return _finish(means, _fit_effective(means, material.velocity_mm_per_us, through_origin=False))


def _fit_effective(means: StepMeans, velocity: float, *, through_origin: bool) -> EffectiveFit:
    """Fit interval against thickness, both uncertain.

    Where the residuals scatter significantly more than block and timing explain, the excess τ is
    found for which χ² with u² + τ² equals the degrees of freedom, and the line is fitted again with
    it: then the covariance holds it, too.
    """

    def fit(excess_us: float) -> LineFit:
        return _line(means, velocity, through_origin, excess_us)

    line = fit(0.0)
    freedom = line.degrees_of_freedom
    if freedom == 0:
        return EffectiveFit(line, 0.0, np.nan)
    u = np.hypot(means.u_interval_us, line.slope * means.u_thickness_mm)
    p_value = float(gammaincc(freedom / 2.0, line.chi_squared / 2.0))
    found = detectable_us(u, freedom, SIGNIFICANT)
    if not p_value < SIGNIFICANT:
        return EffectiveFit(line, 0.0, p_value, found)
    doubt = doubted_step(means.thickness_mm, means.interval_us, u, through_origin=through_origin)
    excess = _excess(fit, float(u.max()))
    return EffectiveFit(fit(excess), excess, p_value, found, doubt)


def _line(
    means: StepMeans, velocity: float, through_origin: bool, excess_us: float = 0.0
) -> LineFit:
    """Return the line through the steps, their times uncertain by ``excess_us`` besides."""
    d, t, u_d = means.thickness_mm, means.interval_us, means.u_thickness_mm
    u_t = np.hypot(means.u_interval_us, excess_us)
    if not through_origin:
        line = fit_line_both(d, t, u_d, u_t)
    else:
        slope = 2.0 / velocity
        for _ in range(4):  # the slope enters the weights; it has settled after the second pass
            line = fit_line(d, t, np.hypot(u_t, slope * u_d), through_origin=True)
            slope = line.slope
    if not line.slope > 0.0:
        raise fault(
            "calibration",
            f"the interval changes by {line.slope:.4g} µs per mm of thickness"
            + _out_of_order(d, t),
            allowed="a growing one",
            remedy="look for steps given in the wrong order or echoes picked wrongly",
        )
    return line


def _out_of_order(thickness_mm: FloatArray, interval_us: FloatArray) -> str:
    """Return which step comes before a thinner one, in words."""
    early = np.flatnonzero(np.diff(interval_us) <= 0.0)
    if early.size == 0:
        return ""
    thin, thick = thickness_mm[early[0]], thickness_mm[early[0] + 1]
    return f"; the echo of the {thick:g} mm step comes no later than that of {thin:g} mm"


def _excess(fit: Callable[[float], LineFit], start_us: float) -> float:
    """Return the τ for which χ² with u² + τ² equals the degrees of freedom."""

    def too_large(excess: float) -> bool:
        line = fit(excess)
        return line.chi_squared > line.degrees_of_freedom

    low, high = 0.0, start_us
    while too_large(high):
        low, high = high, 2.0 * high
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if too_large(middle) else (low, middle)
    return high


def _fit_through_zero(means: StepMeans) -> StepFit:
    positive = means.interval_us > 0.0
    if not positive.all():
        step = float(means.thickness_mm[~positive][0])
        raise fault(
            "calibration",
            f"the echoes of the {step:g} mm step are not in order",
            remedy="check which gates the interval names",
        )
    first_guess = 2.0 * float(means.thickness_mm[-1]) / float(means.interval_us[-1])
    fit = _fit_effective(means, first_guess, through_origin=True)
    free = (np.nan, np.nan)
    if means.thickness_mm.size > 1:
        with_offset = _fit_effective(means, first_guess, through_origin=False).line
        free = (with_offset.intercept, float(np.sqrt(with_offset.covariance[0, 0])))
    return _finish(means, fit, free)


def _fit_zero_offset(means: StepMeans, material: Material) -> StepFit:
    """One step and a known velocity: zero = t − 2 d / v, with the covariance of zero and v."""
    velocity, u_velocity = material.velocity_mm_per_us, material.u_velocity_mm_per_us
    thickness = float(means.thickness_mm[0])
    zero = float(means.interval_us[0]) - interval_of(thickness, 0.0, velocity)
    by_velocity = 2.0 * thickness / velocity**2
    variance = (
        float(means.u_interval_us[0]) ** 2
        + (2.0 / velocity * float(means.u_thickness_mm[0])) ** 2
        + (by_velocity * u_velocity) ** 2
    )
    cross = by_velocity * u_velocity**2
    covariance = np.array([[variance, cross], [cross, u_velocity**2]])
    fit = Fit(
        zero_us=zero,
        velocity_mm_per_us=velocity,
        covariance=covariance,
        repeatability_us=means.repeatability_us,
        lack_of_fit_us=0.0,
    )
    return StepFit(fit=fit, steps=_steps(means, zero, velocity))


def _finish(
    means: StepMeans, fit: EffectiveFit, free_zero: tuple[float, float] = (np.nan, np.nan)
) -> StepFit:
    """Turn a fitted line (zero, slowness) into zero and velocity with their covariance."""
    line = fit.line
    velocity = 2.0 / line.slope
    jacobian = np.diag([1.0, -velocity / line.slope])
    own = Fit(
        zero_us=line.intercept,
        velocity_mm_per_us=velocity,
        covariance=jacobian @ line.covariance @ jacobian.T,
        repeatability_us=means.repeatability_us,
        lack_of_fit_us=fit.excess_us,
        fitted_zero_us=free_zero[0],
        u_fitted_zero_us=free_zero[1],
    )
    return StepFit(
        fit=own,
        steps=_steps(means, line.intercept, velocity),
        p_value=fit.p_value,
        freedom=line.degrees_of_freedom,
        detectable_us=fit.detectable_us,
        doubt=fit.doubt,
    )


def _steps(means: StepMeans, zero_us: float, velocity: float) -> Steps:
    given = np.array([thickness_of(t, zero_us, velocity) for t in means.interval_us])
    return means.steps(given - means.thickness_mm)
