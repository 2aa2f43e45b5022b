"""Check readings: known steps measured between readings, and judged."""

from __future__ import annotations

import numpy as np

from ascan.base.errors import fault
from ascan.base.flags import OF_RANGE
from ascan.calibration.record import Calibration
from ascan.calibration.step_means import MOST_STEP_U, check_step_u_mm
from ascan.engine.measuring import measure
from ascan.kernels.arrays import FloatArray
from ascan.procedure.written import Procedure
from ascan.results.series import CheckReading
from ascan.waveform.scan import Scan

# A check reading and the step agree where they differ by no more than their expanded uncertainties
# combined (|E_n| ≤ 1, common practice of comparisons).
MOST_OFF = 1.0


def check_steps(
    scan: Scan,
    procedure: Procedure,
    calibration: Calibration,
    known_mm: FloatArray,
    *,
    u_known_mm: float,
    tolerance_mm: float | None = None,
    time_s: float | None = None,
) -> list[CheckReading]:
    """Read known steps and judge each reading.

    Parameters
    ----------
    scan : Scan
    procedure, calibration
        As for `ascan.measure`.
    known_mm : ndarray, shape (rows,)
        Thickness under each row; NaN where it is no check reading.
    u_known_mm : float
        Standard uncertainty of the steps.
    tolerance_mm : float, optional
        The most a reading may be off; without it, the expanded uncertainties of both combined.
    time_s : float, optional
        When they were taken, where the scan has no column ``time_s``.

    Raises
    ------
    AscanError
        No row is a check reading, the time is not known, or a step, its uncertainty or the
        tolerance are none.
    """
    rows = np.flatnonzero(~np.isnan(known_mm))
    if rows.size == 0:
        raise fault("check", "names no step", remedy="give --step MM=ROWS")
    known = known_mm[rows]
    if not (known > 0.0).all():
        raise fault("check", f"names a step of {known.min():g} mm", allowed="above 0 mm")
    check_step_u_mm(known, np.full(rows.size, u_known_mm))
    if tolerance_mm is not None and not 0.0 < tolerance_mm <= MOST_STEP_U * known.min():
        raise fault(
            "tolerance",
            f"is {tolerance_mm:g} mm on the {known.min():g} mm step",
            allowed="above 0 and up to a tenth of the step, in mm",
        )
    times = scan.columns.get("time_s")
    if times is None and time_s is None:
        raise fault(
            "check", "does not know when it was taken", remedy="give --at, or a column time_s"
        )
    chosen = scan.choose(rows.tolist())
    readings = measure(chosen, procedure.on_block, calibration)
    out = []
    for k, row in enumerate(rows):
        reading = float(readings.thickness_mm[k])
        expanded = float(readings.columns["expanded_mm"][k])
        step = float(known_mm[row])
        most = tolerance_mm if tolerance_mm is not None else np.hypot(expanded, 2.0 * u_known_mm)
        reason = ""
        if readings.flags[k] & ~OF_RANGE:
            reason = "; ".join(readings.reasons(k))
        elif not abs(reading - step) <= MOST_OFF * most:
            reason = f"off by more than {most:.3f} mm"
        out.append(
            CheckReading(
                time_s=float(times[row]) if time_s is None else time_s,  # type: ignore[index]
                step_mm=step,
                u_step_mm=u_known_mm,
                reading_mm=reading,
                expanded_mm=expanded,
                passed=not reason,
                reason=reason,
                calibration=calibration.digest,
                most_off_mm=float(most),
            )
        )
    return out
