"""Step readings: waveforms on steps of known thickness, and which step is under each."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ascan.base.errors import calibration_fault as fault
from ascan.base.flags import names
from ascan.base.given import real_numbers
from ascan.calibration.step_means import check_step_u_mm, one_value_a_step
from ascan.checks.lesson import StepReadings
from ascan.engine.channels import channels_of
from ascan.kernels.arrays import AnyArray, BoolArray, FlagArray, FloatArray, IntArray
from ascan.path.modes import Layout
from ascan.steps.table import StepTable, table_of
from ascan.waveform.scan import Scan

# Step tolerance of the step-wedge block of ISO 16946:2015 (clauses 4 and 5, from extracts of it):
# 0.02 mm up to 12.5 mm, 0.1 mm above; taken as rectangular.
TOLERANCE_MM = 0.02
THICK_TOLERANCE_MM = 0.1
THICK_FROM_MM = 12.5
THICKEST_MM = 10_000.0


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Known:
    """Step readings; every array has shape (rows,).

    Attributes
    ----------
    scan : Scan
        Step readings only.
    rows : ndarray, int64
        Their numbers in the scan that they were chosen from.
    mm, u_mm : ndarray
        Certified thickness under each, and its standard uncertainty.
    table : StepTable
        All named steps, none of them used yet.
    ids : ndarray, int64
        The step under each row.
    """

    scan: Scan
    rows: IntArray
    mm: FloatArray
    u_mm: FloatArray
    table: StepTable
    ids: IntArray

    def table_with(self, used: BoolArray) -> StepTable:
        """Return the named steps; those that some of the rows stand on are in the fit."""
        on_it = np.zeros(self.table.used.size, np.bool_)
        on_it[self.ids[used]] = True
        return dataclasses.replace(self.table, used=on_it)

    def read(
        self,
        columns: Mapping[str, AnyArray],
        layout: Layout,
        used: BoolArray,
        sound: BoolArray,
        shaped: tuple[str, ...],
    ) -> StepReadings:
        """Return what was read on the steps, for lessons."""
        return StepReadings(
            columns=columns,
            layout=layout,
            steps=self.table_with(used),
            ids=self.ids,
            used=used,
            sound=sound,
            shaped=shaped,
        )

    def told(self, flags: FlagArray, used: BoolArray) -> str:
        """Return what stands against each row that is not used."""
        parts = [
            f"row {self.rows[k]} on {self.mm[k]:g} mm: {names(int(flags[k]))}"
            for k in np.flatnonzero(~used)
        ]
        return ", ".join(parts) or "none"

    def kept(self, used: BoolArray) -> str:
        """Return how many of each step's readings are used."""
        counts = np.bincount(self.ids[used], minlength=self.table.used.size)
        every = np.bincount(self.ids, minlength=self.table.used.size)
        steps = zip(self.table.thickness_mm, counts, every, strict=True)
        return ", ".join(f"{mm:g} mm {count} of {of}" for mm, count, of in steps)

    def health(self, used: BoolArray) -> dict[str, bool]:
        """Return the health figures of which readings are used."""
        return {
            "every_step_used": bool(self.table_with(used).used.all()),
            "most_readings_used": bool(2 * used.sum() >= used.size),
        }


def known_rows(
    scan: Scan, known_mm: npt.ArrayLike, u_known_mm: npt.ArrayLike | None = None
) -> Known:
    """Return the step readings of a scan (see `ascan.calibrate` for the parameters).

    Raises
    ------
    AscanError
        No row names a step, a thickness or an uncertainty that no step has, several channels.
    """
    known = real_numbers(known_mm, "known_mm", "mm")
    if known.shape != (len(scan),):
        raise fault("known_mm", f"has shape {known.shape}", allowed=f"one per row, ({len(scan)},)")
    rows = np.flatnonzero(~np.isnan(known)).astype(np.int64)
    known = known[rows]
    if rows.size == 0 or not ((known > 0.0) & (known <= THICKEST_MM)).all():
        raise fault(
            "known_mm",
            "names no step, or one that is not of positive thickness",
            allowed=f"above 0 and up to {THICKEST_MM:g} mm; NaN where a row is no step reading",
        )
    u_known = _block_uncertainty(u_known_mm, known, rows, len(scan))
    known = one_value_a_step(known)
    channel_of(scan, rows)
    table = table_of(known, u_known)
    return Known(
        scan=scan.choose(rows.tolist()),
        rows=rows,
        mm=known,
        u_mm=u_known,
        table=table,
        ids=table.ids_of(known),
    )


def block_u_mm(known_mm: FloatArray) -> FloatArray:
    """Return the standard uncertainty of steps about which nothing is certified.

    Examples
    --------
    >>> import numpy as np
    >>> block_u_mm(np.array([10.0, 25.0])).round(4)
    array([0.0115, 0.0577])
    """
    tolerance = np.where(known_mm <= THICK_FROM_MM, TOLERANCE_MM, THICK_TOLERANCE_MM)
    return np.asarray(tolerance / math.sqrt(3.0))


def _block_uncertainty(
    given: npt.ArrayLike | None, known: FloatArray, rows: IntArray, count: int
) -> FloatArray:
    if given is None:
        return block_u_mm(known)
    u = real_numbers(given, "u_known_mm", "mm")
    if u.shape not in ((), (count,)):
        raise fault("u_known_mm", f"has shape {u.shape}", allowed=f"one value or ({count},)")
    u = np.broadcast_to(u, (count,))[rows]
    check_step_u_mm(known, u)
    return u


def channel_of(scan: Scan, rows: IntArray) -> str:
    """Return the channel of step readings, "" where the scan does not say.

    Raises
    ------
    AscanError
        They are of several.
    """
    channels = channels_of(scan)
    if channels is None:
        return ""
    present = np.unique(channels[rows]).tolist()
    if len(present) > 1:
        raise fault(
            "calibration",
            f"step readings are of channels {', '.join(map(str, present))}",
            remedy="calibrate each channel on its own rows",
        )
    return str(present[0])
