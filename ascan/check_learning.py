"""Learning on the steps what the self-checks compare readings with."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from ascan.checks.other_echo import SIGMAS
from ascan.checks.shape import ROOT_MEAN_SQUARE
from ascan.kernels.arrays import BoolArray, FloatArray
from ascan.procedure.written import Procedure
from ascan.results.readings import Readings

# A film between two hard bodies turns the second echo so far; more is another echo.
MOST_LATE_PERIODS = 1.0
Pairs = dict[str, tuple[float, float]]


def guides_of(
    times: Readings, procedure: Procedure, known_mm: FloatArray, usable: BoolArray
) -> dict[str, Any]:
    """Return arrivals, strengths of the echoes and their leads, by keyword.

    Parameters
    ----------
    times : Readings
        Of the step readings, uncalibrated.
    known_mm : ndarray, shape (n,)
        The step under each.
    usable : ndarray, shape (n,)
    """
    layout = procedure.layout
    surface, gate = layout.interface, procedure.gate(layout.back_wall)
    arrivals: Pairs = {}
    if surface and layout.arrangement == "delay_line":
        arrivals[surface] = _span(times, surface, "time_us", usable)
    found: dict[str, Any] = {"arrivals_us": arrivals}
    if procedure.layout.fit_judges_itself:
        # And how strong the wall is against the surface.
        return found
    strength = strength_of(times, procedure)
    found["strengths"] = {gate.name: step_medians(strength, known_mm, usable)}
    if not layout.mode.free_zero and (surface or layout.arrangement == "contact"):
        # A contact probe's sound enters the wall when it is sent.
        first, second = (
            times.picks(name)["time_us"][usable] for name in procedure.interval.gates[:2]
        )
        begin = times.picks(surface)["time_us"][usable] if surface else 0.0
        lead = 2.0 * first - begin - second
        found["leads_us"] = {gate.name: (float(lead.min()), float(lead.max()))}
    return found


def step_medians(values: FloatArray, known_mm: FloatArray, usable: BoolArray) -> tuple[float, ...]:
    """Return the median of the usable values on each step that has any, the thinnest first."""
    steps = np.unique(known_mm[usable])
    return tuple(float(np.median(values[usable & (known_mm == step)])) for step in steps)


def beside_of(
    readings: Readings, procedure: Procedure, known_mm: FloatArray, usable: BoolArray
) -> dict[str, Any]:
    """Return what stood beside the wall's first echo, over all steps and on each, by keyword.

    ``readings`` are those of whole gates.
    """
    gate = procedure.gate(procedure.layout.back_wall)
    if procedure.layout.fit_judges_itself:
        if "other_share" not in readings.columns:
            return {}
        other = step_medians(readings.columns["other_share"], known_mm, usable)
        return {"beside": {gate.name: (max(other), max(other))}}
    picks = readings.picks(gate.name)
    noise = SIGMAS * 10.0 ** (-picks["snr_db"] / 20.0)
    # What noise may be says nothing of the probe.
    ahead, behind = np.where(picks["ahead"] > noise, picks["ahead"], 0.0), picks["behind"]
    steps = np.unique(known_mm[usable])
    aheads = tuple(float(ahead[usable & (known_mm == step)].max()) for step in steps)
    return {
        "beside": {gate.name: (max(aheads), float(np.nanmax(behind[usable])))},
        "aheads": {gate.name: aheads},
        "followers": {gate.name: step_medians(behind, known_mm, usable)},
    }


def seconds_of(
    readings: Readings, procedure: Procedure, known_mm: FloatArray, usable: BoolArray
) -> dict[str, tuple[float, ...]]:
    """Return each step's second echo over its first.

    Where a thin step's cannot be told from what stands beside it, that of the next step, which is
    less; where the record ends before a thick step's, 0.
    """
    found = step_medians(readings.columns["second_share"], known_mm, usable)
    least, seconds = 0.0, []
    for share in reversed(found):
        least = share if np.isfinite(share) else least
        seconds.append(least)
    return {procedure.layout.back_wall: tuple(reversed(seconds))}


def behind_of(
    readings: Readings, procedure: Procedure, known_mm: FloatArray, usable: BoolArray
) -> dict[str, Any]:
    """Return what followed the wall's first echo on each step, by keyword.

    By how much its second echo came late, and the largest that was no multiple of it. ``readings``
    are calibrated.
    """
    name, found = procedure.layout.back_wall, {}
    if "other_share" in readings.columns:
        others = step_medians(readings.columns["other_share"], known_mm, usable)
        found["others"] = {name: tuple(np.nan_to_num(others).tolist())}
    most_us = MOST_LATE_PERIODS / procedure.probe.frequency_mhz
    found["second_late_us"] = second_late_of(readings, procedure, known_mm, usable, most_us)
    return found


def second_late_of(
    readings: Readings,
    procedure: Procedure,
    known_mm: FloatArray,
    usable: BoolArray,
    most_us: float,
) -> dict[str, tuple[float, ...]]:
    """Return by how much each step's second echo came late, where it did by no more than that.

    Steps of which it was not heard take it from those beside; empty where it was on none.
    """
    off_us = readings.columns.get("second_off_us", np.full(known_mm.size, np.nan))
    heard = usable & (np.abs(off_us) <= most_us)
    if not heard.any():
        return {}
    late_us = step_medians(off_us, known_mm, heard)
    steps_mm = np.unique(known_mm[usable])
    every = np.interp(steps_mm, np.unique(known_mm[heard]), late_us)
    return {procedure.layout.back_wall: tuple(every.tolist())}


def misfits_of(
    readings: Readings,
    gates: Iterable[str],
    known_mm: FloatArray,
    usable: BoolArray,
    sound: BoolArray | None = None,
) -> dict[str, tuple[float, ...]]:
    """Return the most that the mean echo of each gate left of the echoes of each step.

    What noise leaves is taken off. Steps of which none was whole count as the worst of the others;
    so do usable ones of which no reading is ``sound``, where that is asked for.
    """
    found, steps = {}, np.unique(known_mm[usable])
    for name in gates:
        picks = readings.picks(name)
        noise = 10.0 ** (-picks["snr_db"] / 20.0) / ROOT_MEAN_SQUARE
        left = np.sqrt(np.maximum(picks["misfit"] ** 2 - noise**2, 0.0))
        left = np.where(usable if sound is None else usable & sound, left, np.nan)
        if np.isfinite(left).any():
            worst = float(np.nanmax(left))
            on = [left[(known_mm == step) & np.isfinite(left)] for step in steps]
            found[name] = tuple(float(each.max()) if each.size else worst for each in on)
    return found


def strength_of(times: Readings, procedure: Procedure) -> FloatArray:
    """Return the height of each first wall echo, over the surface echo's where there is one."""
    surface = procedure.layout.interface
    height = np.abs(times.picks(procedure.layout.back_wall)["amplitude"])
    return np.asarray(height / np.abs(times.picks(surface)["amplitude"]) if surface else height)


def _span(times: Readings, gate: str, column: str, usable: BoolArray) -> tuple[float, float]:
    values = times.picks(gate)[column][usable]
    return float(np.nanmin(values)), float(np.nanmax(values))
