"""Whether steps are what their labels say: told by their echoes, before anything is fitted.

Echoes of one step are evenly spaced, whatever its label. So a label that is another step's, labels
in reverse, a painted step and records that stand on no steps at all can be told apart.
"""

from __future__ import annotations

import numpy as np

from ascan.base.errors import fault
from ascan.drafting.pulse import Records
from ascan.drafting.teeth import SLOWEST, teeth
from ascan.kernels.arrays import FloatArray

# A label is contradicted by a spacing so far off it, which fits so much better.
OFF, BETTER, DUAL_MM = 0.04, 0.12, 1.0
# Echoes closer than so many periods run into each other, and their spacing tells little.
APART_PERIODS = 2.5
# A step that comes late as a whole is painted; so late in µs, which fits so much better.
MOST_LATE_US, LATE_US = 0.8, 0.02
# Spacings that are tried without a label: round-trip times in µs, so far apart as a share.
SHORTEST_US, APART = 0.3, 0.01
# Records of one step agree on their spacing within this share; where in this share of the steps
# they do not, these are no steps.
ALIKE, MOST = 0.08, 0.5


def check_labels(
    records: Records, velocity: float, origins_us: tuple[FloatArray, FloatArray], *, dual: bool
) -> None:
    """Refuse steps whose echoes are those of other thicknesses, by half a period of time.

    Parameters
    ----------
    records : Records
    velocity : float
        mm/µs, that fits the labels best.
    origins_us : (ndarray, ndarray), each of shape (n,)
        When sound enters the wall, of each record: by the labels, and by the records alone where
        an echo of the wall's front shows it.
    dual : bool
        The path of a dual probe's sound is bent: thin steps come late.

    Raises
    ------
    AscanError
        Labels in another order than the echoes, of other thicknesses, records that stand on no
        steps, or a step whose echoes come late as a whole.
    """
    if records.steps_mm.size < 2:
        return
    origin_us, opens_us = origins_us
    own_us = _spacings(records, opens_us)
    _refuse_no_steps(records, own_us)
    _refuse_reverse(records, own_us)
    _refuse_contrary(records, velocity, origin_us, dual)
    if not dual:
        _refuse_late(records, velocity, origin_us)


def _spacings(records: Records, origin_us: FloatArray) -> FloatArray:
    """Return the spacing of each record's echoes by itself, in µs, shape (n,)."""
    longest_us = 2.2 * float(records.steps_mm[-1]) / SLOWEST
    spacing_us = np.exp(np.arange(np.log(SHORTEST_US), np.log(longest_us), APART))
    own = np.empty(len(records.rows))
    for row in range(own.size):
        one = np.zeros(len(records.rows), np.bool_)
        one[row] = True
        # As of a step of 1 mm: what a spacing is of is not asked.
        found = teeth(records, origin_us, np.zeros(1), spacing_us, (one, 1.0))[0]
        own[row] = spacing_us[int(found.argmax())]
    return own


def _refuse_no_steps(records: Records, own_us: FloatArray) -> None:
    """Refuse records of which those of one label are of many walls."""
    spread = []
    for step in records.steps_mm:
        own = own_us[records.of_step(step)]
        if own.size > 2:
            spread.append((step, float(np.median(np.abs(own / np.median(own) - 1.0)))))
    wide = [step for step, off in spread if off > ALIKE]
    if len(wide) > MOST * len(spread) and len(wide) > 1:
        named = ", ".join(f"{step:g} mm" for step in wide)
        raise fault(
            "steps",
            f"hold walls of many thicknesses each ({named}): records of one step echo alike",
            remedy="is this a component's scan? draft from records of a step block",
        )


def _refuse_reverse(records: Records, own_us: FloatArray) -> None:
    """Refuse labels that fall where the echoes' own spacings rise."""
    usual_us = np.array([np.median(own_us[records.of_step(step)]) for step in records.steps_mm])
    if usual_us.size < 3 or not (np.diff(usual_us) < 0.0).all():
        return
    told = ", ".join(
        f"{step:g} mm echoes each {us:.2f} µs"
        for step, us in zip(records.steps_mm, usual_us, strict=True)
    )
    raise fault(
        "steps",
        f"run the other way than their echoes: {told}",
        remedy="check the order: the thicker the step, the further apart its echoes",
    )


def _refuse_contrary(records: Records, velocity: float, origin_us: FloatArray, dual: bool) -> None:
    """Refuse steps that echo as other thicknesses at the velocity that fits the others."""
    least_mm = DUAL_MM if dual else 0.25 * velocity / records.frequency_mhz
    resolved_mm = 0.5 * APART_PERIODS * velocity / records.frequency_mhz
    off = np.arange(-0.4, 0.4001, 0.005)
    told = []
    found = teeth(records, origin_us, np.zeros(1), 2.0 / velocity * (1.0 + off))[:, 0]
    for step, own in zip(records.steps_mm, found, strict=True):
        best = int(own.argmax())
        beyond = abs(off[best]) > max(OFF, least_mm / step) and step > resolved_mm
        if beyond and own[best] > own[off.size // 2] + BETTER:
            rows = ", ".join(str(row) for row in records.rows[records.of_step(step)])
            told.append(
                f"{step:g} mm echoes as {step * (1.0 + off[best]):.2f} mm (rows {rows} and more "
                "on it)"
            )
    if told:
        raise fault(
            "steps",
            f"contradict their echoes: {', '.join(told)} (at the others' {velocity:.2f} mm/µs)",
            remedy="check which rows stand on which step, and that these are records of a block",
        )


def _refuse_late(records: Records, velocity: float, origin_us: FloatArray) -> None:
    """Refuse a step whose echoes are spaced as they should be, and come late all alike."""
    late_us = np.arange(-MOST_LATE_US, MOST_LATE_US + LATE_US, LATE_US)
    found = teeth(records, origin_us, late_us, np.array([2.0 / velocity]))[:, :, 0]
    half_us, told = 0.5 / records.frequency_mhz, []
    middle = int(np.abs(late_us).argmin())
    resolved_mm = 0.5 * APART_PERIODS * velocity / records.frequency_mhz
    for step, own in zip(records.steps_mm, found, strict=True):
        best = int(own.argmax())
        if step > resolved_mm and late_us[best] > half_us and own[best] > own[middle] + BETTER:
            told.append(f"{step:g} mm by {late_us[best]:.2f} µs")
    if told and len(told) < records.steps_mm.size:
        raise fault(
            "steps",
            f"come late as a whole, their spacing as it should be: {', '.join(told)}",
            remedy="is it painted, or on a thick film of couplant? bare it, or leave it out",
        )
