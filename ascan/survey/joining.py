"""Several scans of one surface on common axes, and by how much they disagree where they overlap."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ascan.base.errors import fault
from ascan.results.sources import in_line
from ascan.survey.places import Places


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """Where the origin of a scan lies on the surface, and by how much its axes are turned.

    ``turn_deg`` turns x towards y.
    """

    x_mm: float = 0.0
    y_mm: float = 0.0
    turn_deg: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlap:
    """What two scans say of the same ground.

    Attributes
    ----------
    first, second : int
        Numbers of the two scans, from 0.
    pairs : int
        Positions of the second that have one of the first within reach.
    mean_mm, spread_mm : float
        Second less first; NaN without a pair.
    expected_mm : float
        Standard deviation that the readings' own uncertainties explain.
    """

    first: int
    second: int
    pairs: int
    mean_mm: float
    spread_mm: float
    expected_mm: float


def placed(places: Places, placement: Placement) -> Places:
    """Return readings with their places moved and turned onto the surface's axes."""
    turn = np.deg2rad(placement.turn_deg)
    x = placement.x_mm + np.cos(turn) * places.x_mm - np.sin(turn) * places.y_mm
    y = placement.y_mm + np.sin(turn) * places.x_mm + np.cos(turn) * places.y_mm
    return replace(places, x_mm=x, y_mm=y % places.round_mm if places.round_mm else y)


def join(
    scans: Sequence[Places], placements: Sequence[Placement], reach_mm: float
) -> tuple[Places, list[Overlap]]:
    """Return all readings of several scans together, and what each two say of common ground.

    No reading is averaged with another or preferred to it.

    Parameters
    ----------
    scans : sequence of Places
    placements : sequence of Placement
        One for each scan.
    reach_mm : float
        Positions so near each other are taken as one.

    Raises
    ------
    AscanError
        Not one placement for each scan, or pipes of different diameters.
    """
    if len(scans) != len(placements) or not scans:
        raise fault(
            "join", f"has {len(scans)} scans and {len(placements)} placements", allowed="one each"
        )
    if len({scan.round_mm for scan in scans}) > 1:
        raise fault("join", "is of surfaces of different diameters")
    moved = [placed(scan, where) for scan, where in zip(scans, placements, strict=True)]
    names = ("x_mm", "y_mm", "thickness_mm", "u_random_mm", "flags", "row")
    together = {name: np.concatenate([getattr(one, name) for one in moved]) for name in names}
    freedom = [
        np.zeros(len(one)) if one.random_freedom is None else one.random_freedom for one in moved
    ]
    digests = {scan.calibration for scan in scans}
    whole = Places(
        round_mm=scans[0].round_mm,
        calibration=digests.pop() if len(digests) == 1 else None,
        scan=np.repeat(np.arange(len(moved)), [len(one) for one in moved]),
        shared=in_line([scan.shared for scan in scans], [len(scan) for scan in scans]),
        nowhere=sum(one.nowhere for one in scans),
        random_freedom=np.concatenate(freedom),
        **together,
    )
    overlaps = [
        _overlap(moved, pair, reach_mm) for pair in itertools.combinations(range(len(moved)), 2)
    ]
    return whole, overlaps


def _overlap(scans: Sequence[Places], pair: tuple[int, int], reach_mm: float) -> Overlap:
    from scipy.spatial import cKDTree

    first, second = scans[pair[0]], scans[pair[1]]
    known, asked = np.flatnonzero(first.usable), np.flatnonzero(second.usable)
    near, partner = np.zeros(0, np.int64), np.zeros(0, np.int64)
    if known.size and asked.size:
        tree = cKDTree(np.column_stack([first.x_mm[known], first.y_mm[known]]))
        points = np.column_stack([second.x_mm[asked], second.y_mm[asked]])
        distance, index = tree.query(points)
        within = distance <= reach_mm
        near, partner = asked[within], known[index[within]]
    off = second.thickness_mm[near] - first.thickness_mm[partner]
    square = second.u_random_mm[near] ** 2 + first.u_random_mm[partner] ** 2
    return Overlap(
        first=pair[0],
        second=pair[1],
        pairs=int(off.size),
        mean_mm=float(off.mean()) if off.size else np.nan,
        spread_mm=float(off.std()) if off.size else np.nan,
        expected_mm=float(np.sqrt(square.mean())) if off.size else np.nan,
    )
