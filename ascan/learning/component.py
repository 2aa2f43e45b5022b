"""A calibration carried over to the component's own material, by one spot of known thickness."""

from __future__ import annotations

import dataclasses

import numpy as np

from ascan.base.errors import calibration_fault as fault
from ascan.base.flags import is_marked
from ascan.calibration.conditions import COMPONENT_SPOT
from ascan.calibration.record import Calibration
from ascan.engine.measuring import measure
from ascan.engine.thickness_stage import ThicknessStage
from ascan.kernels.arrays import FloatArray
from ascan.procedure.written import Procedure
from ascan.results.readings import Readings
from ascan.waveform.scan import Scan

# A component whose velocity is off the block's by more than this is another material, or the spot
# is not as thick as stated.
MOST_APART = 0.1


def calibrate_component(
    scan: Scan,
    procedure: Procedure,
    calibration: Calibration,
    known_mm: float,
    *,
    u_known_mm: float,
) -> Calibration:
    """Return the calibration with the velocity of the component.

    Parameters
    ----------
    scan : Scan
        Readings on one spot of the component whose thickness is known (by caliper, say).
    procedure : Procedure
    calibration : Calibration
        Made on the block: its zero stays.
    known_mm, u_known_mm : float
        Thickness of the spot and its standard uncertainty.

    Raises
    ------
    AscanError
        No reading without a flag, a dual-element probe, or a velocity more than a tenth off.

    References
    ----------
    v = 2 d / (t − zero), with the covariance of zero and velocity by JCGM 100:2008 5.2.2. Of a zero
    offset of 0, readings grow by known / read (T.O. 33B-1-1, 5.5.3.3).
    """
    if calibration.arrivals is not None:
        raise fault("component", "cannot be matched: a dual probe's curve is no single velocity")
    readings = measure(scan, procedure.on_block, calibration)
    good = ~is_marked(readings.flags)
    if not good.any():
        raise fault("component", "no reading on the spot can be used", remedy=_why(readings))
    run_us = float(readings.columns["interval_us"][good].mean()) - calibration.zero_us
    noise = float(np.mean(readings.columns["u_interval_us"][good] ** 2))
    u_run_us = np.sqrt((noise + calibration.repeatability_us**2) / good.sum())
    # What temperature multiplies a reading by, and what a coating adds, must come out right again.
    stage = ThicknessStage(procedure, calibration)
    warm = scan.columns.get("temperature_c")
    factor = stage.factor(None if warm is None else np.asarray(warm, np.float64)[good])[0]
    velocity = 2.0 * (known_mm / float(np.mean(factor)) + stage.coat_mm[0]) / run_us
    apart = velocity / calibration.velocity_mm_per_us - 1.0
    if abs(apart) > MOST_APART:
        raise fault(
            "component",
            f"its velocity comes out as {velocity:.4g} mm/µs, {100.0 * apart:+.0f} % off the block",
            allowed=f"{100.0 * MOST_APART:g} %",
            remedy="check the thickness of the spot and which echo was timed",
        )
    return dataclasses.replace(
        calibration,
        fit=dataclasses.replace(
            calibration.fit,
            velocity_mm_per_us=velocity,
            covariance=_covariance(calibration, velocity, run_us, u_run_us, u_known_mm / known_mm),
        ),
        conditions=dict(calibration.conditions)
        | {
            COMPONENT_SPOT: f"{known_mm:g} mm (u {u_known_mm:g}) on {int(good.sum())} readings "
            f"of {scan.name}: velocity {100.0 * apart:+.2f} % off the block's "
            f"{calibration.velocity_mm_per_us:.4f} mm/µs",
        },
        second=None,
    )


def _covariance(
    calibration: Calibration, velocity: float, run_us: float, u_run_us: float, share: float
) -> FloatArray:
    """Return that of zero and the component's velocity: a late zero makes it fast."""
    var_zero = float(calibration.covariance[0, 0])
    by_zero = velocity / run_us
    scatter = calibration.lack_of_fit_us
    own = (velocity * share) ** 2 + by_zero**2 * (u_run_us**2 + scatter**2)
    cross = by_zero * var_zero
    return np.array([[var_zero, cross], [cross, own + by_zero * cross]])


def _why(readings: Readings) -> str:
    return "; ".join(readings.reasons(0))
