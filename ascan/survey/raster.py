"""Positions as they were scanned: what repeats, jumps, runs backwards, or slips to and fro."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ascan.kernels.arrays import FloatArray, IntArray
from ascan.survey.places import Places

# A step of more than so many usual ones is a jump; a place that differs by a smaller part of one is
# the same.
JUMP, SAME = 3.0, 0.25
# Lines must hold so many readings, and be so many, before they are laid on one another; they are
# shifted by so many steps at most.
LEAST_READINGS, LEAST_LINES, MOST_SHIFT = 8, 4, 6
# Lines scanned to and fro have slipped where laying them back brings them nearer by this factor.
NEARER = 2.0
TOLD = 3


@dataclass(frozen=True, eq=False, slots=True)
class Lines:
    """A raster as lines of successive readings.

    Attributes
    ----------
    along : str
        The axis that lines run along.
    place_mm, thickness_mm : ndarray, shape (n,)
        Along the lines, in the order of rows, and what was read there.
    line : ndarray of int, shape (n,)
        Which line each reading is on, from 0.
    step_mm : float
        Usual step along a line.
    """

    along: str
    place_mm: FloatArray
    thickness_mm: FloatArray
    line: IntArray
    step_mm: float


def lines_of(places: Places) -> Lines | None:
    """Return the lines of a raster in the order of its rows; None where positions form none."""
    order = np.argsort(places.row, kind="stable")
    x, y = places.x_mm[order], places.y_mm[order]
    steps = {"x": np.abs(np.diff(x)), "y": np.abs(np.diff(y))}
    moved = {name: one[one > 0.0] for name, one in steps.items()}
    if not any(one.size for one in moved.values()):
        return None
    along = max(moved, key=lambda name: moved[name].size)
    step = float(np.median(moved[along]))
    across = steps["y" if along == "x" else "x"]
    line = np.concatenate([[0], np.cumsum(across > SAME * step)])
    if line[-1] + 1 > 0.5 * line.size:
        return None
    return Lines(along, x if along == "x" else y, places.thickness_mm[order], line, step)


def position_faults(places: Places) -> list[str]:
    """Return in words what is wrong with the positions of a raster, before a surface is made.

    Parameters
    ----------
    places : Places
        In any order; rows tell in which they were scanned.
    """
    if len(places) < LEAST_READINGS:
        return []
    rows = np.sort(places.row)
    out = list(_repeated(places))
    lines = lines_of(places)
    if lines is None:
        return out
    step = np.diff(lines.place_mm)
    inside = np.diff(lines.line) == 0
    way = _ways(lines)[lines.line[1:]]
    back = inside & (step * way < -SAME * lines.step_mm)
    jump = inside & (np.abs(step) > JUMP * lines.step_mm)
    for found, words in (
        (back, "run BACKWARDS within a line"),
        (jump, f"JUMP by more than {JUMP:g} usual steps of {lines.step_mm:.3g} mm"),
    ):
        if found.any():
            out.append(f"{int(found.sum())} positions {words}: {_named(rows[1:][found])}")
    slip = slip_mm(lines)
    if slip is not None:
        out.append(
            f"lines scanned to and fro lie {abs(slip):.2g} mm apart along {lines.along}: the "
            "readings agree better so (play in the drive, or readings that come late); positions "
            "were not changed"
        )
    return out


def _repeated(places: Places) -> Iterator[str]:
    points = np.column_stack([places.x_mm, places.y_mm]).round(6)
    _, first, count = np.unique(points, axis=0, return_index=True, return_counts=True)
    more = int((count - 1).sum())
    if more:
        twice = np.sort(places.row[first[count > 1]])
        yield f"{more} readings stand where another one stands already: {_named(twice)}"


def _named(rows: IntArray) -> str:
    first = ", ".join(str(row) for row in rows[:TOLD])
    return f"row {first}" + (f" and {rows.size - TOLD} more" if rows.size > TOLD else "")


def _ways(lines: Lines) -> IntArray:
    """Return +1 or −1 for each line: which way most of its steps go."""
    step, inside = np.diff(lines.place_mm), np.diff(lines.line) == 0
    sums = np.bincount(lines.line[1:][inside], np.sign(step[inside]), int(lines.line[-1]) + 1)
    return np.where(sums < 0.0, -1, 1)


def slip_mm(lines: Lines) -> float | None:
    """Return by how much lines scanned one way lie off those scanned the other; None if none do.

    Neighbouring lines are laid on one another at every shift of half steps. Where walls are even,
    nothing can be told.
    """
    ways = _ways(lines)
    count = np.bincount(lines.line)
    if ways.size < LEAST_LINES or (np.diff(ways) == 0).all() or count.min() < LEAST_READINGS:
        return None
    shifts = 0.5 * lines.step_mm * np.arange(-2 * MOST_SHIFT, 2 * MOST_SHIFT + 1)
    square, pairs = np.zeros(shifts.size), np.zeros(shifts.size)
    ends = np.concatenate([[0], np.cumsum(count)])
    for k in range(ways.size - 1):
        if ways[k] == ways[k + 1]:
            continue
        pair = (k, k + 1) if ways[k] > 0 else (k + 1, k)
        one, other = (slice(ends[j], ends[j + 1]) for j in pair)
        on = [_sorted(lines.place_mm[each], lines.thickness_mm[each]) for each in (one, other)]
        if min(on[0][0].size, on[1][0].size) < LEAST_READINGS:
            continue
        for s, shift in enumerate(shifts):
            at = on[0][0]
            inside = (at >= on[1][0][0] + shift) & (at <= on[1][0][-1] + shift)
            off = on[0][1][inside] - np.interp(at[inside] - shift, *on[1])
            square[s] += float(off @ off)
            pairs[s] += off.size
    if not (pairs > 0.0).all():
        return None
    mean = square / pairs
    best, still = int(np.argmin(mean)), int(shifts.size // 2)
    if best == still or mean[still] < NEARER * mean[best]:
        return None
    return float(shifts[best])


def _sorted(place_mm: FloatArray, thickness_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    known = np.isfinite(thickness_mm)
    order = np.argsort(place_mm[known], kind="stable")
    return place_mm[known][order], thickness_mm[known][order]
