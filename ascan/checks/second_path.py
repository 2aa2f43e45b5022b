"""SECOND_DISAGREES, of a dual probe's whole record: its second echo is another wall's.

Fitted by itself, the second echo says how thick the wall is that its path would be of. A warm
wedge, a film of couplant, a trigger delay both echoes alike: the fit frees the reading of that.
More than those do, or a second echo that no common delay explains: tilt, a pit beside the axis.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Column, Evidence, Stage, Verdict
from ascan.checks.check_input import CheckInput
from ascan.checks.second_echo import SCAN_DELAY
from ascan.path.modes import Layout

# The second echo's path is another wall's where it differs by so many of its standard
# uncertainties, and by more than this part of a period. No wedge, film or trigger that is still in
# order delays a record by more periods than the third. All records of a scan are late alike; one
# that is by more than the last beside them is nearer to the wall of another half-cycle.
MOST_OFF, LEAST_PERIODS, MOST_DELAY_PERIODS, MOST_BESIDE_PERIODS = 4.0, 0.03, 0.5, 0.25


def applies(layout: Layout) -> bool:
    """Tell that it is a dual probe's whole record."""
    return layout.is_dual and layout.of_whole_record


def evidence(seen: CheckInput) -> Evidence:
    """Return what the second echo's path says of the wall, and by how much the record is late."""
    if "second_late_mm" not in seen.fit:
        return {}
    late, u_late = seen.fit["second_late_mm"], seen.fit["u_second_late_mm"]
    model = (seen.columns[name] for name in ("from_calibration_model_mm", "from_lack_of_fit_mm"))
    u = np.sqrt(u_late**2 + sum(one**2 for one in model))
    return {
        "second_mm": seen.others["as_calibrated"]["thickness_mm"] + late,
        "u_second_mm": u,
        "second_off": -late / u,
        "delay_us": seen.fit["delay_us"],
        SCAN_DELAY.name: np.full(late.size, seen.about.scan_delay_us),
    }


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag what neither noise nor a common delay explains."""
    if not found:
        return {}
    period_us = 1.0 / seen.about.probe.frequency_mhz
    slight_mm = 0.5 * LEAST_PERIODS * period_us * seen.about.nominal_mm_per_us
    off = (np.abs(found["second_off"]) > MOST_OFF) & (
        np.abs(seen.fit["second_late_mm"]) > slight_mm
    )
    delay_us, beside_us = found["delay_us"], found["delay_us"] - found[SCAN_DELAY.name]
    late = np.abs(delay_us) > MOST_DELAY_PERIODS * period_us
    late |= np.abs(beside_us) > MOST_BESIDE_PERIODS * period_us
    return {Flag.SECOND_DISAGREES: np.where(np.isnan(delay_us), off, late)}


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
            "second_off",
            "1",
            "by how many of its standard uncertainties the second interval is the thinner",
        ),
        Column(
            "delay_us",
            "us",
            "by how much all echoes of a dual probe's record come late; the thickness is freed of "
            "it. NaN: not told, the record is taken as on the steps",
        ),
        SCAN_DELAY,
    ),
)
