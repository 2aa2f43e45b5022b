"""A wall that was measured otherwise: a height map, and what of it lies under a beam."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ascan.base.errors import fault
from ascan.kernels.arrays import FloatArray
from ascan.survey.wrong import Truth


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class HeightMap:
    """Remaining wall at places; every array has shape (n,).

    Attributes
    ----------
    x_mm, y_mm : ndarray
        Where each height was measured.
    thickness_mm, u_mm : ndarray
        Wall there, and its standard uncertainty.
    """

    x_mm: FloatArray
    y_mm: FloatArray
    thickness_mm: FloatArray
    u_mm: FloatArray

    def moved(self, offset_mm: tuple[float, float], angle_deg: float = 0.0) -> HeightMap:
        """Return the map in the raster's coordinates: turned about its origin, then shifted.

        Parameters
        ----------
        offset_mm : pair of float
            Where the map's origin lies in the raster.
        angle_deg : float
            From the raster's x to the map's x, towards y.
        """
        turn = np.deg2rad(angle_deg)
        return replace(
            self,
            x_mm=offset_mm[0] + np.cos(turn) * self.x_mm - np.sin(turn) * self.y_mm,
            y_mm=offset_mm[1] + np.sin(turn) * self.x_mm + np.cos(turn) * self.y_mm,
        )


@dataclass(frozen=True, eq=False, slots=True)
class Under:
    """The truth under each beam, and how well it is known; NaN where the map holds nothing.

    Attributes
    ----------
    truth : Truth
    u_mm : ndarray, shape (n,)
        Largest standard uncertainty of the heights under the beam.
    """

    truth: Truth
    u_mm: FloatArray


def under_beam(ground: HeightMap, x_mm: FloatArray, y_mm: FloatArray, beam_mm: float) -> Under:
    """Return what lies under round beams of a diameter (−6 dB) at places, shape (n,).

    The wall under the axis is that of the nearest height. A place whose nearest height lies outside
    the beam is not on the map.

    Raises
    ------
    AscanError
        No place is on the map, or the diameter is not above 0.
    """
    from scipy.spatial import cKDTree

    if not beam_mm > 0.0:
        raise fault("beam", f"is {beam_mm:g} mm wide", allowed="above 0 mm")
    heights = np.column_stack([ground.x_mm, ground.y_mm])
    known = np.isfinite(heights).all(axis=1) & np.isfinite(ground.thickness_mm)
    tree, wall, u = cKDTree(heights[known]), ground.thickness_mm[known], ground.u_mm[known]
    places = np.column_stack([x_mm, y_mm])
    out = np.full((4, len(places)), np.nan)
    here = np.flatnonzero(np.isfinite(places).all(axis=1))
    apart, nearest = tree.query(places[here])
    for row, distance, own in zip(here, apart, nearest, strict=True):
        if distance <= 0.5 * beam_mm:
            under = tree.query_ball_point(places[row], 0.5 * beam_mm)
            out[:, row] = wall[own], wall[under].mean(), wall[under].min(), u[under].max()
    if np.isnan(out[0]).all():
        raise fault(
            "height map",
            f"covers x {_span(ground.x_mm)}, y {_span(ground.y_mm)}; the readings lie at "
            f"x {_span(x_mm)}, y {_span(y_mm)}",
            allowed="places that meet",
            remedy="state the map's offset and angle",
        )
    return Under(Truth(out[0], out[1], out[2]), out[3])


def _span(values_mm: FloatArray) -> str:
    return f"{np.nanmin(values_mm):.1f} to {np.nanmax(values_mm):.1f} mm"
