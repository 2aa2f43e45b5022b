"""SECOND_DISAGREES: the procedure's second interval gives another thickness.

Both are taken from the same record, between other echoes or by another way: what is wrong with the
one is seldom wrong with the other. Where a coating is stated that only one of them crosses, their
difference is that coating.
"""

from __future__ import annotations

import numpy as np

from ascan.base.flags import Flag
from ascan.checks.check import Check, Column, Evidence, Key, Stage, Verdict
from ascan.checks.check_input import CheckInput

MAX_SECOND_OFF = Key(
    name="max_second_off",
    default=3.0,
    above=0.0,
    most=100.0,
    meaning="in standard uncertainties of the difference",
    why="chance exceeds 3 once in 370",
)
COLUMNS = (
    Column("second_mm", "mm", "thickness by the procedure's second interval"),
    Column("u_second_mm", "mm", "its combined standard uncertainty"),
    Column("second_off", "1", "thickness less that one, in their combined standard uncertainties"),
    Column(
        "coating_mm",
        "mm",
        "coating: what one interval crosses and the other does not, or as fitted",
    ),
)


def evidence(seen: CheckInput) -> Evidence:
    """Return the second thickness, by how many u it is off, and the coating where one is stated."""
    if seen.second is None:
        return {}
    other, u_other = seen.second["thickness_mm"], seen.second["u_on_block_mm"]
    apart = seen.thickness_mm - other
    off = apart / np.hypot(seen.columns["u_on_block_mm"], u_other)
    found = {"second_mm": other, "u_second_mm": u_other, "second_off": off}
    if seen.about.coating_ratio:
        # Back-back-wall echoes run in the wall alone; the other interval crosses the coating, too.
        way = -1.0 if seen.layout.between_back_walls else 1.0
        found["coating_mm"] = way * apart * seen.about.coating_ratio
    return found


def judge(seen: CheckInput, found: Evidence) -> Verdict:
    """Flag what is further off than chance makes it; of a coating, what it cannot explain."""
    if not found:
        return {}
    disagrees = np.abs(found["second_off"]) > seen.limit(MAX_SECOND_OFF.name)
    if "coating_mm" in found:
        disagrees &= found["coating_mm"] < 0.0
    return {Flag.SECOND_DISAGREES: disagrees}


CHECK = Check(
    name="second_interval",
    stage=Stage.READING,
    evidence=evidence,
    judge=judge,
    keys=(MAX_SECOND_OFF,),
    columns=COLUMNS,
)
