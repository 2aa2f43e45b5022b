"""The thinnest places of a set of readings, each standing for the ground about it."""

from __future__ import annotations

import numpy as np

from ascan.survey.places import Places


def indications_of(places: Places, *, apart_mm: float, most: int) -> list[int]:
    """Return indices of the thinnest readings, thinnest first, no two within ``apart_mm``.

    Parameters
    ----------
    places : Places
    apart_mm : float
        What lies nearer to a thinner one belongs to it.
    most : int
        So many at most.
    """
    order = np.argsort(np.where(places.usable, places.thickness_mm, np.inf), kind="stable")
    chosen: list[int] = []
    for index in order[: int(places.usable.sum())]:
        x, y = places.x_mm[index], places.y_mm[index]
        near = [np.hypot(x - places.x_mm[one], y - places.y_mm[one]) <= apart_mm for one in chosen]
        if not any(near):
            chosen.append(int(index))
        if len(chosen) == most:
            break
    return chosen
