"""Fits of step-block readings: zero offset and velocity from intervals on known thicknesses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import gammaincc

from ascan.base.errors import calibration_fault as fault
from ascan.calibration.fit import Fit
from ascan.calibration.line import LineFit, fit_line, fit_line_both
from ascan.calibration.scatter import Scatter, scatter_of
from ascan.calibration.screening import Doubt, detectable_us, doubted_step
from ascan.calibration.step_means import StepMeans
from ascan.kernels.arrays import FloatArray
from ascan.path.direct import interval_us as interval_of
from ascan.path.direct import thickness_mm as thickness_of
from ascan.path.material import Material
from ascan.path.modes import MODES
from ascan.steps.means import Steps

# Residuals that chance gives less often than this show a lack of fit.
SIGNIFICANT = 0.05


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
    """A line, the scatter it was fitted with, and the p-value without it.

    ``detectable_us`` is the excess that the test would have found in four of five blocks; ``doubt``
    the step that fits least, where the others agree without it.
    """

    line: LineFit
    scatter: Scatter
    p_value: float
    detectable_us: float = np.nan
    doubt: Doubt | None = None


def fit_steps(
    means: StepMeans,
    mode: str,
    material: Material,
    *,
    usual_us: float,
    known_us: float | None = None,
) -> StepFit:
    """Fit zero offset and velocity to the steps.

    ``usual_us`` is what steps usually scatter by beyond block and timing; ``known_us`` what these
    do, where that is known.

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
        return _fit_through_zero(means, usual_us, known_us)
    velocity = material.velocity_mm_per_us
    scatter = _scatter(means, velocity, usual_us, known_us, through_origin=False)
    if means.thickness_mm.size == 1:
        return _fit_zero_offset(means, material, scatter)
    return _finish(means, _fit_effective(means, velocity, scatter, through_origin=False))


def _scatter(
    means: StepMeans,
    velocity: float,
    usual_us: float,
    known_us: float | None,
    *,
    through_origin: bool,
) -> Scatter:
    """Return what the steps scatter by beyond block and timing."""
    if known_us is not None:
        return Scatter(known_us, 0.0)
    d = means.thickness_mm
    columns = [d] if through_origin else [np.ones_like(d), d]
    if d.size < len(columns):
        columns = columns[:1]
    u_us = np.hypot(means.u_interval_us, 2.0 / velocity * means.u_thickness_mm)
    return scatter_of(np.stack(columns, axis=1), means.interval_us, u_us, usual_us)


def _fit_effective(
    means: StepMeans, velocity: float, scatter: Scatter, *, through_origin: bool
) -> EffectiveFit:
    """Fit interval against thickness, both uncertain, and the steps scattering besides.

    The covariance holds the scatter. The p-value is of block and timing alone.
    """

    def fit(excess_us: float) -> LineFit:
        return _line(means, velocity, through_origin, excess_us)

    line, found = fit(0.0), fit(scatter.us)
    freedom = line.degrees_of_freedom
    if freedom == 0:
        return EffectiveFit(found, scatter, np.nan)
    u = np.hypot(means.u_interval_us, line.slope * means.u_thickness_mm)
    p_value = float(gammaincc(freedom / 2.0, line.chi_squared / 2.0))
    detectable = detectable_us(u, freedom, SIGNIFICANT)
    doubt = None
    if p_value < SIGNIFICANT:
        doubt = doubted_step(
            means.thickness_mm, means.interval_us, u, through_origin=through_origin
        )
    return EffectiveFit(found, scatter, p_value, detectable, doubt)


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


def _fit_through_zero(means: StepMeans, usual_us: float, known_us: float | None) -> StepFit:
    positive = means.interval_us > 0.0
    if not positive.all():
        step = float(means.thickness_mm[~positive][0])
        raise fault(
            "calibration",
            f"the echoes of the {step:g} mm step are not in order",
            remedy="check which gates the interval names",
        )
    first_guess = 2.0 * float(means.thickness_mm[-1]) / float(means.interval_us[-1])
    scatter = _scatter(means, first_guess, usual_us, known_us, through_origin=True)
    fit = _fit_effective(means, first_guess, scatter, through_origin=True)
    free = (np.nan, np.nan)
    if means.thickness_mm.size > 1:
        own = _scatter(means, first_guess, usual_us, known_us, through_origin=False)
        with_offset = _line(means, first_guess, through_origin=False, excess_us=own.us)
        free = (with_offset.intercept, float(np.sqrt(with_offset.covariance[0, 0])))
    return _finish(means, fit, free)


def _fit_zero_offset(means: StepMeans, material: Material, scatter: Scatter) -> StepFit:
    """One step and a known velocity: zero = t − 2 d / v, with the covariance of zero and v."""
    velocity, u_velocity = material.velocity_mm_per_us, material.u_velocity_mm_per_us
    thickness = float(means.thickness_mm[0])
    zero = float(means.interval_us[0]) - interval_of(thickness, 0.0, velocity)
    by_velocity = 2.0 * thickness / velocity**2
    variance = (
        float(means.u_interval_us[0]) ** 2
        + scatter.us**2
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
        lack_of_fit_us=scatter.us,
        lack_freedom=scatter.freedom,
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
        lack_of_fit_us=fit.scatter.us,
        lack_freedom=fit.scatter.freedom,
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
