"""An instrument's linearity from its own records: time base over steps, amplitude over gains."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.base.errors import fault
from ascan.calibration.record import Calibration
from ascan.kernels.arrays import AnyArray, FloatArray

# Echoes as high as this part of full scale may clip; those lower than this drown in noise.
HIGHEST, LOWEST = 0.98, 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeBase:
    """Steps against the straight line through them.

    Attributes
    ----------
    off_mm : float
        Largest deviation of a step from the line, signed.
    at_mm : float
        The step.
    range_mm : float
        From the thinnest step to the thickest.
    percent : float
        The deviation as a share of that range.
    u_percent : float
        Its standard uncertainty by block and timing.
    """

    off_mm: float
    at_mm: float
    range_mm: float
    percent: float
    u_percent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Vertical:
    """Amplitudes against what the stated gains make of one echo.

    Attributes
    ----------
    percent_of_full_scale : float
        Largest deviation, signed, as a share of full scale.
    decibel : float
        Largest deviation, signed.
    at_db : float
        The gain of the first.
    readings, walls : int
        How many amplitudes, of how many walls.
    """

    percent_of_full_scale: float
    decibel: float
    at_db: float
    readings: int
    walls: int


def time_base(calibration: Calibration) -> TimeBase:
    """Return how far steps are off their straight line.

    Raises
    ------
    AscanError
        Fewer than three steps, or a calibration that is no line.

    References
    ----------
    Deviation of the time base from linearity as a share of the range, as EN 15317 and ISO 16831
    have it of thickness equipment and ISO 22232-1 of instruments (clauses from memory).
    """
    steps = calibration.steps
    if steps.thickness_mm.size < 3 or not calibration.is_line:
        raise fault(
            "linearity",
            f"is asked of {steps.thickness_mm.size} steps",
            allowed="three steps or more, timed by single echoes",
        )
    worst = int(np.argmax(np.abs(steps.residual_mm)))
    half = 0.5 * calibration.velocity_mm_per_us
    u_mm = np.hypot(steps.u_thickness_mm, half * steps.u_interval_us)
    span = float(np.ptp(steps.thickness_mm))
    return TimeBase(
        off_mm=float(steps.residual_mm[worst]),
        at_mm=float(steps.thickness_mm[worst]),
        range_mm=span,
        percent=100.0 * float(steps.residual_mm[worst]) / span,
        u_percent=100.0 * float(u_mm[worst]) / span,
    )


def vertical(amplitude: FloatArray, gain_db: FloatArray, wall: AnyArray) -> Vertical:
    """Return how far amplitudes are off what stated gains make of them.

    Each wall's own height is the median of its amplitudes, brought to one gain.

    Parameters
    ----------
    amplitude : ndarray, shape (n,)
        Fractions of full scale.
    gain_db : ndarray, shape (n,)
    wall : ndarray, shape (n,)
        Names what has one height: a step.

    Raises
    ------
    AscanError
        No wall was read at three gains within the screen.
    """
    height = np.abs(amplitude)
    good = (height < HIGHEST) & (height > LOWEST) & np.isfinite(gain_db)
    off, off_db, at, walls = [], [], [], 0
    for name in np.unique(wall[good]):
        own = good & (wall == name)
        if np.unique(gain_db[own]).size < 3:
            continue
        walls += 1
        factor = 10.0 ** (gain_db[own] / 20.0)
        expected = float(np.median(height[own] / factor)) * factor
        off.append(100.0 * (height[own] - expected))
        off_db.append(20.0 * np.log10(height[own] / expected))
        at.append(gain_db[own])
    if not walls:
        raise fault(
            "vertical linearity",
            "has no wall that was read at three gains between 2 and 98 % of full scale",
            remedy="record a step at several gains, each in the column gain_db",
        )
    every, every_db, gains = (np.concatenate(each) for each in (off, off_db, at))
    worst = int(np.argmax(np.abs(every)))
    return Vertical(
        percent_of_full_scale=float(every[worst]),
        decibel=float(every_db[np.argmax(np.abs(every_db))]),
        at_db=float(gains[worst]),
        readings=every.size,
        walls=walls,
    )
