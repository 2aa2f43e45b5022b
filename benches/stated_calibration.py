"""What calibrations and single readings state, summed up against the truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from counted import Observed, held, observed
from drawn_times import (
    RANGE_MM,
    VELOCITY_MM_PER_US,
    ZERO_US,
    Case,
    calibration_of,
    step_times_us,
    times_us,
    walls_of,
)

from ascan import Calibration
from ascan.kernels.arrays import FloatArray
from ascan.results.readings import Readings

# A calibration states standard uncertainties: so many are the 95 % interval of one value, and so
# large is the squared distance of two values that 95 % keep within (χ² of two).
NORMAL, TOGETHER = 1.96, 5.991
# Of the columns: thickness in µm, velocity in m/s, zero in ns.
SCALES = (1e3, 1e3, 1e3)
LABEL = 46
HEAD = "\n".join(
    [
        f"{'':<{LABEL}}{'reading':<31}{'velocity':<21}{'zero':<21}{'both':<13}lack of fit",
        f"{'':<{LABEL}}{'% in 95':<13}{'width':>6}{'median':>8}    {'% in 95':<13}{'width':>5}   "
        f"{'% in 95':<13}{'width':>5}   {'% in 95':<13}found",
        f"{'':<{LABEL}}{'':<13}{'µm':>6}{'µm':>8}    {'':<13}{'m/s':>5}   {'':<13}{'ns':>5}   "
        f"{'':<13}{'%':>5}",
    ]
)


class Truth(NamedTuple):
    """What was drawn: the component's wall, and the line behind the times."""

    wall_mm: float
    velocity_mm_per_us: float = VELOCITY_MM_PER_US
    zero_us: float = ZERO_US


class Stated(NamedTuple):
    """Reading, velocity and zero of one trial.

    Attributes
    ----------
    off, half : ndarray, shape (3,)
        Stated value less truth, and half of the stated interval.
    distance : float
        Of zero and velocity together, squared, by their covariance.
    found : bool
        Whether the fit found a lack of fit.
    """

    off: FloatArray
    half: FloatArray
    distance: float
    found: bool


def stated_of(calibration: Calibration, read: Readings, truth: Truth) -> Stated:
    """Return what a calibration and the one reading made with it state."""
    apart = np.array(
        [calibration.zero_us - truth.zero_us,
         calibration.velocity_mm_per_us - truth.velocity_mm_per_us]
    )  # fmt: skip
    half = [
        read.columns["expanded_on_block_mm"][0],
        NORMAL * calibration.u_velocity_mm_per_us,
        NORMAL * calibration.u_zero_us,
    ]
    return Stated(
        off=np.array([read.thickness_mm[0] - truth.wall_mm, apart[1], apart[0]]),
        half=np.array(half),
        distance=float(apart @ np.linalg.solve(calibration.covariance, apart)),
        found=calibration.lack_of_fit_us > 0.0,
    )


@dataclass(frozen=True, slots=True)
class Summary:
    """Many trials of one case.

    Attributes
    ----------
    reading, velocity, zero, both : Observed
    median_um : float
        Width of a reading's interval.
    found_percent : float
        How often a lack of fit was found.
    rms : ndarray, shape (3,)
        Root mean square error of reading (µm), velocity (m/s) and zero (ns).
    """

    reading: Observed
    velocity: Observed
    zero: Observed
    both: Observed
    median_um: float
    found_percent: float
    rms: FloatArray

    def line(self, label: str) -> str:
        """Return it as a line under `HEAD`."""
        return (
            f"{label:<{LABEL}}{self.reading!s:<13}{self.reading.width:6.1f}"
            f"{self.median_um:8.1f}    "
            f"{self.velocity!s:<13}{self.velocity.width:5.1f}   "
            f"{self.zero!s:<13}{self.zero.width:5.1f}   "
            f"{self.both!s:<13}{self.found_percent:5.1f}"
        ).rstrip()


def summary_of(trials: Sequence[Stated]) -> Summary:
    """Sum up trials."""
    off, half = (np.array([getattr(one, name) for one in trials]) for name in ("off", "half"))
    seen = [observed(off[:, k], half[:, k], SCALES[k]) for k in range(3)]
    distance = np.array([one.distance for one in trials])
    return Summary(
        reading=seen[0],
        velocity=seen[1],
        zero=seen[2],
        both=held(distance <= TOGETHER, distance),
        median_um=2e3 * float(np.nanmedian(half[:, 0])),
        found_percent=100.0 * float(np.mean([one.found for one in trials])),
        rms=np.sqrt(np.nanmean(off**2, axis=0)) * np.array(SCALES),
    )


def drawn_coverage(case: Case, trials: int, rng: np.random.Generator) -> Summary:
    """Return how often drawn calibrations, and one drawn reading with each, are right."""
    steps_us = step_times_us(case, trials, rng)
    wall_mm = rng.uniform(*RANGE_MM, trials)
    component_us = times_us(case, wall_mm, rng)
    done = []
    for k in range(trials):
        calibration = calibration_of(case, steps_us[k])
        read = walls_of(case, calibration, component_us[k : k + 1])
        done.append(stated_of(calibration, read, Truth(float(wall_mm[k]))))
    return summary_of(done)
