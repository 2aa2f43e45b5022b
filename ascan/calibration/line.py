"""Weighted least squares for a straight line or a line through the origin, covariance kept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.arrays import FloatArray


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


def fit_line(
    x: FloatArray, y: FloatArray, u_y: FloatArray | None = None, *, through_origin: bool = False
) -> LineFit:
    """Fit y = intercept + slope x, or y = slope x, by QR on scaled columns.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
    u_y : ndarray, shape (n,), optional
        Standard uncertainties of y, all above 0, taken as absolute. Without them the points weigh
        alike and the covariance is scaled by the variance of the residuals (n above the number of
        parameters).

    References
    ----------
    JCGM 100:2008 H.3, equations (H.13a-f), for equal weights; the weighted form is common practice.
    """
    weight = np.ones_like(y) if u_y is None else 1.0 / u_y
    columns = x[:, None] if through_origin else np.stack([np.ones_like(x), x], axis=1)
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
    if through_origin:
        parameters = np.array([0.0, parameters[0]])
        covariance = np.array([[0.0, 0.0], [0.0, covariance[0, 0]]])
    return LineFit(
        intercept=float(parameters[0]),
        slope=float(parameters[1]),
        covariance=covariance,
        residual=residual,
        chi_squared=chi_squared,
        degrees_of_freedom=freedom,
    )
