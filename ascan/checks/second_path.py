"""SECOND_DISAGREES, of a dual probe's whole record: the second echo has another wall's path.

Fitted by itself, the second echo says how thick the wall is that its path would be of. A film of
couplant delays both echoes alike, tilt and a pit beside the axis do not.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Column, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.path.modes import Layout

# The second echo's path is another wall's where it differs by so many of its standard
# uncertainties, and by more than this part of a period; or where taking it for a film moves the
# reading by so many of its own.
MOST_OFF, LEAST_PERIODS, COVERED = 4.0, 0.03, 3.0


def applies(layout: Layout) -> bool:
    """Tell that it is a dual probe's whole record."""
    return layout.is_dual and layout.of_whole_record


def evidence(seen: CheckInput) -> Evidence:
    """Return what the second echo's path says of the wall, and the wall were it a film."""
    if "second_late_mm" not in seen.fit:
        return {}
    late, u_late = seen.fit["second_late_mm"], seen.fit["u_second_late_mm"]
    u = np.hypot(u_late, seen.columns["u_common_mm"])
    free = seen.others["without_film"]
    return {
        "second_mm": seen.thickness_mm + late,
        "u_second_mm": u,
        "second_off": -late / u,
        "without_film_mm": free["thickness_mm"],
        "u_without_film_mm": free["u_mm"],
    }


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag what neither noise nor a film explains."""
    if not found:
        return {}
    slight_us = LEAST_PERIODS / seen.about.probe.frequency_mhz
    slight_mm = 0.5 * slight_us * seen.about.nominal_mm_per_us
    late, u_free = seen.fit["second_late_mm"], found["u_without_film_mm"]
    differs = np.abs(found["without_film_mm"] - seen.thickness_mm)
    off = (np.abs(found["second_off"]) > MOST_OFF) & (np.abs(late) > slight_mm)
    off |= (differs > MOST_OFF * u_free) & (differs > COVERED * seen.columns["u_mm"])
    return {Flag.SECOND_DISAGREES: off}


CHECK = Check(
    name="second_path",
    stage=Stage.READING,
    evidence=evidence,
    judge=judge,
    applies=applies,
    columns=(
        Column("second_mm", "mm", "thickness by the procedure's second interval"),
        Column("u_second_mm", "mm", "its combined standard uncertainty"),
        Column(
            "second_off", "1", "thickness less that one, in their combined standard uncertainties"
        ),
        Column(
            "without_film_mm",
            "mm",
            "thickness if what the second echo shows is a film under the probe",
        ),
        Column("u_without_film_mm", "mm", "its combined standard uncertainty"),
    ),
)
