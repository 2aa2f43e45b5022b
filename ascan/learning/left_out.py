"""What was learned of whole records, and what steps that it leaves out say of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import gammaincc

from ascan.kernels.arrays import BoolArray, FloatArray
from ascan.steps.models import ApertureModel, LayeredModel
from ascan.whole_record.step_records import Learned, StepRecords

SIGNIFICANT, CERTAIN = 0.05, 0.01


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class RecordFit:
    """What the steps teach about whole records.

    Attributes
    ----------
    model : LayeredModel or ApertureModel
    velocity_mm_per_us, u_velocity_mm_per_us : float
    used : ndarray of bool, shape (rows,)
        Readings that were used.
    lack_of_fit_mm : float
        What steps left out of the fit differ by beyond what block, noise and fit explain.
    p_value : float
        Of their differences.
    unlearned : list of str
        Values that the steps say next to nothing about.
    left : ndarray, shape (rows,)
        What the fit left of each reading, over its first back-wall echo's height; NaN where not
        used.
    """

    model: LayeredModel | ApertureModel
    velocity_mm_per_us: float
    u_velocity_mm_per_us: float
    used: BoolArray
    lack_of_fit_mm: float
    p_value: float
    unlearned: list[str]
    left: FloatArray


def record_fit(
    model: LayeredModel | ApertureModel, learned: Learned, records: StepRecords, used: BoolArray
) -> RecordFit:
    """Return a model with the velocity learned beside it, and what left-out steps say of both."""
    velocity, slowness = learned.estimate.operator.velocity_mm_per_us, learned.estimate.pulses.size
    u_slowness = float(np.sqrt(learned.covariance[slowness, slowness]))
    lack, p_value = left_out_steps(learned, records)
    left = np.full(used.size, np.nan)
    left[used] = relative_noise(learned)
    return RecordFit(
        model=model,
        velocity_mm_per_us=velocity,
        u_velocity_mm_per_us=0.5 * velocity**2 * u_slowness,
        used=used,
        lack_of_fit_mm=lack,
        p_value=p_value,
        unlearned=learned.unlearned,
        left=left,
    )


def relative_noise(learned: Learned) -> FloatArray:
    """Return what each reading leaves against the height of its first back-wall echo."""
    wall = min(learned.estimate.pulses.shape[0] - 1, 1)
    size = np.array([abs(heights[wall]) for heights in learned.estimate.heights])
    return np.asarray(learned.estimate.noise / np.maximum(size, 1e-300))


def follows(own: FloatArray, thicker: FloatArray, weight: FloatArray) -> FloatArray:
    """Return by how much a fitted thickness follows each sample, all own values free beside it."""
    columns = np.concatenate([own, thicker[None]]) * weight
    return np.asarray(np.linalg.pinv(columns.T, rcond=1e-9)[-1] * weight)


def left_out_steps(learned: Learned, records: StepRecords) -> tuple[float, float]:
    """Return by how much steps that the fit does not know differ beyond expectation, and p.

    Each step is left out in turn, the rest solved again (one linear step), and its readings are
    measured with that.
    """
    estimate = learned.estimate
    off, variance = [], []
    for k, (change, covariance) in enumerate(learned.without_step):
        rows = np.flatnonzero(records.step == k)
        apart, gains, noise = [], [], []
        for row in rows:
            place, thickness = float(estimate.place[row]), float(estimate.thickness_mm[row])
            usual = float(records.usual[row])
            found = learned.family.columns(estimate, place, thickness, estimate.heights[row], usual)
            weights = follows(found.own, found.thicker, records.weight[row])
            gain = -weights @ found.shared.T
            residual = (records.samples[row] - found.model) * records.weight[row]
            fitted = thickness + weights @ residual + gain @ change
            apart.append(fitted - records.known_mm[row])
            gains.append(gain)
            noise.append(estimate.noise[row] ** 2 * (weights @ weights))
        gain = np.mean(gains, axis=0)
        off.append(float(np.mean(apart)))
        scatter = np.mean(noise) / rows.size
        variance.append(float(records.u_step_mm[k] ** 2 + scatter + gain @ covariance @ gain))
    square, expected = np.array(off) ** 2, np.array(variance)
    # Steps left out in turn lean on each other: only the worst one is tested, for one of so many.
    p_value = float(min(square.size * gammaincc(0.5, 0.5 * np.max(square / expected)), 1.0))
    if not p_value < SIGNIFICANT:
        return 0.0, p_value
    return float(np.sqrt(max(np.mean(square - expected), 0.0))), p_value
