"""Where readings lie on a surface: flat, or the outside of a pipe, unrolled."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.base.errors import fault
from ascan.base.flags import is_fatal
from ascan.base.given import real_numbers
from ascan.kernels.arrays import BoolArray, FlagArray, FloatArray, IntArray
from ascan.results.readings import Readings
from ascan.results.sources import Shared, combined
from ascan.results.summary import is_void


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Places:
    """Readings with their places; refused and void ones have no thickness.

    Attributes
    ----------
    x_mm, y_mm : ndarray, shape (n,)
        On a pipe, y is the way round it, from 0 at the top.
    thickness_mm, u_random_mm : ndarray, shape (n,)
        NaN where there is none.
    shared : mapping of Source to ndarray, shape (n,)
        What they share an error of (`ascan.results.sources`).
    flags : ndarray of uint32, shape (n,)
        Bits of each reading.
    row : ndarray of int, shape (n,)
        Row of each reading.
    round_mm : float
        Length of the way round a pipe; 0 where the surface is flat.
    calibration : str or None
        Digest of the one calibration they share.
    scan : ndarray of int, shape (n,), optional
        Of joined scans: which one each is of, from 0.
    nowhere : int
        Readings without a position, which are left out.
    random_freedom : ndarray, shape (n,), optional
        Degrees of freedom of ``u_random_mm``, as readings have them.
    """

    x_mm: FloatArray
    y_mm: FloatArray
    thickness_mm: FloatArray
    u_random_mm: FloatArray
    shared: Shared
    flags: FlagArray
    row: IntArray
    round_mm: float = 0.0
    calibration: str | None = None
    scan: IntArray | None = None
    nowhere: int = 0
    random_freedom: FloatArray | None = None

    def __len__(self) -> int:
        return self.x_mm.size

    @property
    def usable(self) -> BoolArray:
        """Whether each has a thickness."""
        return np.isfinite(self.thickness_mm)

    @property
    def u_common_mm(self) -> FloatArray:
        """What of u each shares with others, shape (n,)."""
        return combined(list(self.shared.values()))

    @property
    def u_mm(self) -> FloatArray:
        """Combined standard uncertainty, shape (n,)."""
        return np.hypot(self.u_random_mm, self.u_common_mm)


def random_freedom_of(readings: Readings) -> FloatArray:
    """Return the degrees of freedom of u_random_mm; 0 in files that hold none."""
    none = np.zeros(len(readings))
    return np.asarray(readings.columns.get("random_freedom", none), np.float64)


def gone_of(readings: Readings) -> BoolArray:
    """Return which readings count for nothing: refused, or void by a failed check."""
    return np.asarray(is_fatal(readings.flags) | is_void(readings.columns))


def places_of(readings: Readings, *, outside_diameter_mm: float | None = None) -> Places:
    """Return where readings lie.

    Parameters
    ----------
    readings : Readings
        With columns ``x_mm`` and ``y_mm``; on a pipe ``y_mm`` may be left out where ``angle_deg``
        stands, the angle round it from the top, in degrees.
    outside_diameter_mm : float, optional
        Of a pipe, measured from outside.

    Raises
    ------
    AscanError
        No reading has a position, or no thickness was measured.
    """
    columns = readings.columns
    if "thickness_mm" not in columns:
        raise fault("readings", "hold no thickness", remedy="measure with a calibration")
    round_mm = np.pi * outside_diameter_mm if outside_diameter_mm else 0.0
    if "x_mm" not in columns:
        raise fault("readings", "hold no column x_mm", remedy="give the scan its positions")
    if round_mm and {"y_mm", "angle_deg"} <= set(columns):
        raise fault("readings", "hold both y_mm and angle_deg", remedy="keep the one that is meant")
    if "y_mm" in columns:
        y_mm = real_numbers(columns["y_mm"], "y_mm", "mm")
        if round_mm and np.nanmax(y_mm) - np.nanmin(y_mm) > 1.001 * round_mm:
            raise fault(
                "y_mm",
                f"spans {np.nanmax(y_mm) - np.nanmin(y_mm):.1f} mm",
                allowed=f"the way round the pipe, {round_mm:.1f} mm",
                remedy="state the outside diameter in mm",
            )
    elif round_mm and "angle_deg" in columns:
        y_mm = real_numbers(columns["angle_deg"], "angle_deg", "degrees") % 360.0 * round_mm / 360.0
    else:
        wanted = "y_mm or angle_deg" if round_mm else "y_mm"
        pipe = "angle_deg" in columns and not round_mm
        remedy = "state the pipe's diameter" if pipe else "give the scan its positions"
        raise fault("readings", f"hold no column {wanted}", remedy=remedy)
    x_mm = real_numbers(columns["x_mm"], "x_mm", "mm")
    somewhere = np.isfinite(x_mm) & np.isfinite(y_mm)
    if not somewhere.any():
        raise fault("readings", "have no position", remedy="give the scan its positions")
    gone = gone_of(readings)
    parts = [
        np.where(gone, np.nan, columns[name])[somewhere] for name in ("thickness_mm", "u_random_mm")
    ]
    return Places(
        x_mm=x_mm[somewhere],
        y_mm=(y_mm % round_mm if round_mm else y_mm)[somewhere],
        thickness_mm=parts[0],
        u_random_mm=parts[1],
        shared={
            source: np.where(gone, np.nan, follows)[somewhere]
            for source, follows in readings.shared.items()
        },
        flags=np.asarray(columns["flags"])[somewhere],
        row=readings.scan_rows[somewhere],
        random_freedom=random_freedom_of(readings)[somewhere],
        round_mm=float(round_mm),
        calibration=readings.calibration_digest,
        nowhere=int((~somewhere).sum()),
    )
