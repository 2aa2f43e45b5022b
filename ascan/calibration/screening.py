"""Which step does not fit the others, and what lack of fit a test on few steps can find."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri, gammaincinv

from ascan.calibration.line import LineFit, fit_line
from ascan.kernels.arrays import FloatArray

# A step is doubted where it is off the line of the others by more of its standard uncertainties
# than chance gives one step of eight in some fifty blocks, and they agree without it.
DOUBTFUL = 3.0
AGREE = 0.05
# The power that the smallest detectable excess is stated for.
POWER = 0.8


@dataclass(frozen=True, slots=True)
class Doubt:
    """A step that is off the line of the others, and by how much."""

    thickness_mm: float
    off_mm: float

    def __str__(self) -> str:
        return (
            f"step {self.thickness_mm:g} mm is {self.off_mm:+.3f} mm off the line of the others, "
            "which agree without it"
        )


def doubted_step(
    thickness_mm: FloatArray, interval_us: FloatArray, u_us: FloatArray, *, through_origin: bool
) -> Doubt | None:
    """Return the step without which the others agree; None where no single one is to blame.

    It is named, never left out: whether step, label or echo is wrong, the user must find out.

    Parameters
    ----------
    thickness_mm, interval_us, u_us : ndarray, shape (steps,)
        ``u_us`` holds block and timing on the time axis.
    through_origin : bool
        Whether the line goes through the origin.
    """
    fitted = 1 if through_origin else 2
    # With one more step than fitted numbers, the others always agree.
    if thickness_mm.size < fitted + 2:
        return None
    off, off_mm = np.zeros(thickness_mm.size), np.zeros(thickness_mm.size)
    agree = np.zeros(thickness_mm.size, bool)
    for k in range(thickness_mm.size):
        rest = np.arange(thickness_mm.size) != k
        line = fit_line(
            thickness_mm[rest], interval_us[rest], u_us[rest], through_origin=through_origin
        )
        value, u = line.predict(float(thickness_mm[k]))
        off[k] = (interval_us[k] - value) / np.hypot(u, u_us[k])
        off_mm[k] = (interval_us[k] - value) / line.slope
        agree[k] = not _misfits(line)
    worst = int(np.argmax(np.abs(off)))
    if not abs(off[worst]) > DOUBTFUL or not agree[worst] or agree.sum() > 1:
        return None
    return Doubt(float(thickness_mm[worst]), float(off_mm[worst]))


def _misfits(line: LineFit) -> bool:
    return line.chi_squared > float(chdtri(line.degrees_of_freedom, AGREE))


def detectable_us(u_us: FloatArray, freedom: int, significance: float) -> float:
    """Return the excess scatter of the steps that the lack-of-fit test finds in four of five cases.

    An excess τ raises χ² by the factor 1 + τ² / u²; it is found where that exceeds the limit.

    References
    ----------
    Power of a one-sided χ² test of a variance (common practice).
    """
    limit = float(chdtri(freedom, significance))
    usual = 2.0 * float(gammaincinv(0.5 * freedom, 1.0 - POWER))
    return float(np.sqrt(np.mean(u_us**2) * max(limit / usual - 1.0, 0.0)))
