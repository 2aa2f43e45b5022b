"""One set of stored signals read twice: reading by reading, what became of each."""

from __future__ import annotations

import enum
from dataclasses import dataclass

import numpy as np

from ascan.base.errors import fault
from ascan.base.flags import is_fatal
from ascan.kernels.arrays import AnyArray, FloatArray, IntArray
from ascan.results.readings import Readings

# Thicknesses that differ by less are the same number.
SAME_MM = 1e-9


class Outcome(enum.IntEnum):
    """What became of a reading."""

    SAME = 0
    MOVED = 1
    FLAGS_CHANGED = 2
    NOW_REFUSED = 3
    NOW_READ = 4


WORDS = {
    Outcome.SAME: "the same, flags included",
    Outcome.MOVED: "another thickness, the same flags",
    Outcome.FLAGS_CHANGED: "other flags",
    Outcome.NOW_REFUSED: "had a thickness, has none now",
    Outcome.NOW_READ: "had none, has one now",
}


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Differences:
    """Later less earlier readings of the same waveforms.

    Attributes
    ----------
    row : ndarray of int, shape (n,)
    earlier_mm, later_mm, off_mm : ndarray, shape (n,)
    off_over_u : ndarray, shape (n,)
        The difference over the larger of the two combined standard uncertainties.
    earlier_flags, later_flags : ndarray of uint32, shape (n,)
    outcome : ndarray of uint8, shape (n,)
        An `Outcome`.
    """

    row: IntArray
    earlier_mm: FloatArray
    later_mm: FloatArray
    off_mm: FloatArray
    off_over_u: FloatArray
    earlier_flags: AnyArray
    later_flags: AnyArray
    outcome: AnyArray

    def columns(self) -> dict[str, AnyArray]:
        """Return all of it as columns."""
        return {name: getattr(self, name) for name in self.__slots__}


def differences_between(earlier: Readings, later: Readings) -> Differences:
    """Compare readings of the same stored waveforms.

    Raises
    ------
    AscanError
        They are not of the same waveforms (by the digests kept with them), or hold no thickness.
    """
    digests = [one.provenance.get("input", {}).get("waveforms_sha256") for one in (earlier, later)]
    if None not in digests and digests[0] != digests[1]:
        raise fault(
            "differences",
            "are asked for readings of other waveforms",
            remedy="measure the same stored signals again",
        )
    if len(earlier) != len(later):
        raise fault("differences", f"are asked of {len(earlier)} and {len(later)} readings")
    for one in (earlier, later):
        if "thickness_mm" not in one.columns:
            raise fault("readings", "hold no thickness", remedy="measure with a calibration")
    gone = [is_fatal(one.flags) for one in (earlier, later)]
    off = later.thickness_mm - earlier.thickness_mm
    outcome = np.full(len(off), Outcome.SAME, np.uint8)
    outcome[np.abs(off) > SAME_MM] = Outcome.MOVED
    outcome[earlier.flags != later.flags] = Outcome.FLAGS_CHANGED
    outcome[~gone[0] & gone[1]] = Outcome.NOW_REFUSED
    outcome[gone[0] & ~gone[1]] = Outcome.NOW_READ
    with np.errstate(divide="ignore", invalid="ignore"):
        over = off / np.fmax(earlier.u_mm, later.u_mm)
    return Differences(
        row=later.scan_rows,
        earlier_mm=earlier.thickness_mm,
        later_mm=later.thickness_mm,
        off_mm=off,
        off_over_u=over,
        earlier_flags=earlier.flags,
        later_flags=later.flags,
        outcome=outcome,
    )
