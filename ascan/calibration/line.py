"""Least squares with the covariance kept: linear models, and lines with errors on both axes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.kernels.arrays import FloatArray

# York's iteration gains some three digits a pass; it stops when the slope stands still.
PASSES, STANDS_STILL = 100, 1e-15


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class LinearFit:
    """y = Σ parameter × column.

    Attributes
    ----------
    parameters : ndarray, shape (p,)
    covariance : ndarray, shape (p, p)
    residual : ndarray, shape (n,)
        y minus the model.
    chi_squared : float
        Weighted sum of squared residuals.
    degrees_of_freedom : int
    """

    parameters: FloatArray
    covariance: FloatArray
    residual: FloatArray
    chi_squared: float
    degrees_of_freedom: int


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class LineFit:
    """y = intercept + slope x.

    Attributes
    ----------
    covariance : ndarray, shape (2, 2)
        Of (intercept, slope).
    residual : ndarray, shape (n,)
        y minus the line.
    chi_squared : float
        Weighted sum of squared residuals.
    degrees_of_freedom : int
    """

    intercept: float
    slope: float
    covariance: FloatArray
    residual: FloatArray
    chi_squared: float
    degrees_of_freedom: int

    def predict(self, x: float) -> tuple[float, float]:
        """Return y at x and its standard uncertainty, the correlation of the two included.

        References
        ----------
        JCGM 100:2008, H.3.4, equation (H.15).
        """
        vector = np.array([1.0, x])
        return self.intercept + self.slope * x, float(np.sqrt(vector @ self.covariance @ vector))


def fit_linear(columns: FloatArray, y: FloatArray, u_y: FloatArray | None = None) -> LinearFit:
    """Fit y as a sum of columns by QR, columns scaled to length 1.

    Parameters
    ----------
    columns : ndarray, shape (n, p)
    y : ndarray, shape (n,)
    u_y : ndarray, shape (n,), optional
        Standard uncertainties of y, all above 0, taken as absolute. Without them the points weigh
        alike and the covariance is scaled by the variance of the residuals (n above p).
    """
    weight = np.ones_like(y) if u_y is None else 1.0 / u_y
    weighted = columns * weight[:, None]
    scale = np.linalg.norm(weighted, axis=0)
    q, r = np.linalg.qr(weighted / scale)
    inverse = np.linalg.inv(r) / scale[:, None]
    parameters = inverse @ (q.T @ (y * weight))
    covariance = inverse @ inverse.T
    residual = y - columns @ parameters
    chi_squared = float(np.sum((residual * weight) ** 2))
    freedom = y.size - parameters.size
    if u_y is None:
        covariance = covariance * (chi_squared / freedom)
    return LinearFit(
        parameters=parameters,
        covariance=covariance,
        residual=residual,
        chi_squared=chi_squared,
        degrees_of_freedom=freedom,
    )


def fit_line(
    x: FloatArray, y: FloatArray, u_y: FloatArray | None = None, *, through_origin: bool = False
) -> LineFit:
    """Fit y = intercept + slope x, or y = slope x (`fit_linear`).

    References
    ----------
    JCGM 100:2008 H.3, equations (H.13a-f), for equal weights; the weighted form is common practice.
    """
    columns = x[:, None] if through_origin else np.stack([np.ones_like(x), x], axis=1)
    fit = fit_linear(columns, y, u_y)
    parameters, covariance = fit.parameters, fit.covariance
    if through_origin:
        parameters = np.array([0.0, parameters[0]])
        covariance = np.array([[0.0, 0.0], [0.0, covariance[0, 0]]])
    return LineFit(
        intercept=float(parameters[0]),
        slope=float(parameters[1]),
        covariance=covariance,
        residual=fit.residual,
        chi_squared=fit.chi_squared,
        degrees_of_freedom=fit.degrees_of_freedom,
    )


def fit_line_both(x: FloatArray, y: FloatArray, u_x: FloatArray, u_y: FloatArray) -> LineFit:
    """Fit y = intercept + slope x where both axes are uncertain, their errors independent.

    Parameters
    ----------
    x, y, u_x, u_y : ndarray, shape (n,)
        For no point may both standard uncertainties be 0. They are taken as absolute.

    Notes
    -----
    ``residual`` is along y; ``chi_squared`` weighs it by u_y² + slope² u_x².

    References
    ----------
    York, Evensen, López Martínez and De Basabe Delgado 2004, American Journal of Physics 72,
    367-375, equations (13a-i) with r = 0 (from memory; the tests hold the published results on
    Pearson's data with York's weights).
    """
    slope = fit_line(x, y).slope if x.size > 2 else float((y[-1] - y[0]) / (x[-1] - x[0]))
    for _ in range(PASSES):
        weight = 1.0 / (u_y**2 + (slope * u_x) ** 2)
        mean_x, mean_y = (weight @ x) / weight.sum(), (weight @ y) / weight.sum()
        from_x, from_y = x - mean_x, y - mean_y
        moved = weight * (from_x * u_y**2 + slope * from_y * u_x**2)
        before, slope = slope, float((weight * moved) @ from_y / ((weight * moved) @ from_x))
        if abs(slope - before) <= STANDS_STILL * abs(slope):
            break
    adjusted = mean_x + moved
    centre = (weight @ adjusted) / weight.sum()
    by_slope = 1.0 / (weight @ (adjusted - centre) ** 2)
    intercept = float(mean_y - slope * mean_x)
    residual = y - intercept - slope * x
    covariance = by_slope * np.array([[centre**2, -centre], [-centre, 1.0]])
    covariance[0, 0] += 1.0 / weight.sum()
    return LineFit(
        intercept=intercept,
        slope=slope,
        covariance=covariance,
        residual=residual,
        chi_squared=float(weight @ residual**2),
        degrees_of_freedom=x.size - 2,
    )
