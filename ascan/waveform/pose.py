"""Where each record was taken, from where the probe stood and which of its channels took it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ascan.base.errors import fault
from ascan.kernels.arrays import AnyArray, FloatArray

ALONG, HEADING, CHANNEL = "x_mm", "heading_deg", "channel"
ACROSS, ROUND = "y_mm", "angle_deg"


def placed(
    columns: Mapping[str, AnyArray],
    offsets_mm: Mapping[str, tuple[float, float]],
    diameter_mm: float | None = None,
) -> dict[str, AnyArray]:
    """Return the places of records, on a plane or round a pipe; the probe's own are kept.

    Parameters
    ----------
    columns : mapping of str to ndarray, each of shape (n,)
        ``x_mm``, and ``y_mm`` or ``angle_deg``: where the probe stood. ``channel``: which one took
        the record. ``heading_deg``, where it turns: its own x axis against the scan's, counted
        from x to y (0 without it).
    offsets_mm : mapping of str to (float, float)
        Each channel's place on the probe, along and across its own axes.
    diameter_mm : float, optional
        Outside diameter of the pipe, where the probe's place round it is an angle.

    Returns
    -------
    columns : dict of str to ndarray
        The places of the records under the names of the probe's, and the probe's as
        ``probe_x_mm``, and ``probe_y_mm`` or ``probe_angle_deg``.

    Raises
    ------
    AscanError
        A column or an offset that is missing, or an angle without a diameter.

    Examples
    --------
    >>> at = {"x_mm": np.zeros(2), "y_mm": np.zeros(2), "channel": np.array([1, 2])}
    >>> at["heading_deg"] = np.array([0.0, 90.0])
    >>> found = placed(at, {"1": (3.0, 0.0), "2": (3.0, 0.0)})
    >>> found["x_mm"].round(3).tolist(), found["y_mm"].round(3).tolist()
    ([3.0, 0.0], [0.0, 3.0])
    """
    across = ACROSS if ACROSS in columns else ROUND
    for name in (ALONG, across, CHANNEL):
        if name not in columns:
            raise fault("offsets", f"need the column {name}", remedy="name it in the file")
    along_mm, across_mm = _offsets(columns[CHANNEL], offsets_mm)
    turn = np.deg2rad(np.asarray(columns.get(HEADING, 0.0), np.float64))
    x_mm = along_mm * np.cos(turn) - across_mm * np.sin(turn)
    y_mm = along_mm * np.sin(turn) + across_mm * np.cos(turn)
    moved = y_mm
    if across == ROUND:
        if not diameter_mm:
            raise fault("offsets", "round a pipe need its outside diameter")
        moved = 360.0 * y_mm / (np.pi * diameter_mm)
    return {
        ALONG: np.asarray(columns[ALONG], np.float64) + x_mm,
        across: np.asarray(columns[across], np.float64) + moved,
        f"probe_{ALONG}": np.asarray(columns[ALONG], np.float64),
        f"probe_{across}": np.asarray(columns[across], np.float64),
    }


def _offsets(
    channels: AnyArray, offsets_mm: Mapping[str, tuple[float, float]]
) -> tuple[FloatArray, FloatArray]:
    """Return the offset of each record's channel, along and across the probe."""
    whole = channels.dtype.kind == "f" and bool((channels == np.rint(channels)).all())
    names = [str(int(each)) if whole else str(each) for each in channels.tolist()]
    for name in dict.fromkeys(names):
        if name not in offsets_mm:
            allowed = ", ".join(offsets_mm) or "none"
            raise fault("offsets", f"none is given for channel {name}", allowed=allowed)
    found = np.array([offsets_mm[name] for name in names], np.float64)
    return found[:, 0], found[:, 1]
