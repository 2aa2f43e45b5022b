"""From waveforms of known steps to a calibration."""

from __future__ import annotations

import dataclasses

import numpy.typing as npt

from ascan.base.tables import checked_number
from ascan.calibration.conditions import Conditions
from ascan.calibration.record import Calibration
from ascan.calibration.step_means import MOST_STEP_U
from ascan.engine.taught import guide_of
from ascan.finding.first_arrival import ArrivalGuide
from ascan.learning.known import Known, known_rows
from ascan.learning.learners.dual import learn_dual
from ascan.learning.learners.echoes import learn_echoes
from ascan.learning.learners.layered import learn_layered
from ascan.procedure.written import Procedure, check_procedure
from ascan.waveform.scan import Scan, check_scan


def calibrate(
    scan: Scan,
    procedure: Procedure,
    known_mm: npt.ArrayLike,
    *,
    u_known_mm: npt.ArrayLike | None = None,
    u_common_mm: float = 0.0,
    conditions: Conditions | None = None,
) -> Calibration:
    """Calibrate on waveforms taken on steps of known thickness.

    Parameters
    ----------
    scan : Scan
        The step readings; several rows may stand on one step.
    procedure : Procedure
        What will be measured, and how: the calibration is bound to it.
    known_mm : array_like, shape (rows,)
        Certified thickness under each row; NaN for rows that are no step reading.
    u_known_mm : array_like, scalar or shape (rows,), optional
        Its standard uncertainty. Without it, the tolerance of an ISO 16946 step wedge.
    u_common_mm : float
        Standard uncertainty of an error that all steps share (of one certificate, of one
        micrometer), besides ``u_known_mm``. No number of steps averages it out.
    conditions : Conditions, optional
        Block, probe, couplant, operator ...; kept with the calibration.

    Returns
    -------
    calibration : Calibration
        Rows with any flag are left out and named in its conditions.

    Raises
    ------
    AscanError
        No usable reading, a thickness that is not positive, times that do not grow with thickness.

    Examples
    --------
    >>> from ascan.examples import PROCEDURE, plate_scan
    >>> import numpy as np
    >>> steps_mm = np.array([5.0, 10.0, 20.0])
    >>> procedure = Procedure.from_text(PROCEDURE)
    >>> calibration = calibrate(plate_scan(steps_mm), procedure, steps_mm, u_known_mm=0.01)
    >>> print(f"{calibration.velocity_mm_per_us:.3f} {abs(calibration.zero_us):.3f}")
    5.920 0.000
    """
    check_scan(scan)
    check_procedure(procedure)
    procedure = procedure.meant_for(scan.recording)
    known = known_rows(scan, known_mm, u_known_mm)
    most_mm = MOST_STEP_U * float(known.mm.min())
    common = checked_number(u_common_mm, "u_common_mm", least=0.0, most=most_mm)
    calibration = _with_common(_learn(known, procedure), common)
    if conditions is not None:
        kept = conditions.as_texts() | dict(calibration.conditions)
        calibration = dataclasses.replace(calibration, conditions=kept)
    if procedure.second is None:
        return calibration
    guide = guide_of(procedure, scan.recording, calibration)
    second = _with_common(_learn(known, procedure.second, guide), common)
    return dataclasses.replace(calibration, second=second)


def _with_common(calibration: Calibration, u_common_mm: float) -> Calibration:
    fit = dataclasses.replace(calibration.fit, u_block_common_mm=u_common_mm)
    return dataclasses.replace(calibration, fit=fit)


def _learn(known: Known, procedure: Procedure, guide: ArrivalGuide | None = None) -> Calibration:
    """Calibrate one interval; ``guide`` holds what is known of its first arrivals already."""
    layout = procedure.layout
    if procedure.gate(layout.gates[0]).seeks_first_arrival and guide is None:
        return learn_dual(known, procedure)
    if layout.of_whole_record:
        return learn_layered(known, procedure)
    return learn_echoes(known, procedure, guide)
