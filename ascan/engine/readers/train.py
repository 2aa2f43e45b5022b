"""The spacing of an echo train, which one gate holds; its fit checks itself."""

from __future__ import annotations

from dataclasses import dataclass

from ascan.base.flags import Flag
from ascan.calibration.record import Calibration
from ascan.checks.check_input import CheckInput
from ascan.engine.read import Interval, Read, RunChecks
from ascan.engine.readers.echoes import alternative_between, read_between
from ascan.kernels.arrays import Columns, FlagArray, FloatArray


@dataclass(frozen=True, eq=False, slots=True)
class TrainReader:
    """Reads echo trains; immutable, thread-safe."""

    calibration: Calibration | None

    @property
    def inverted_hints(self) -> Flag:
        """Of a record that is turned over, another half-cycle is timed."""
        return Flag.CYCLE_UNCERTAIN

    def read(self, seen: CheckInput, run: RunChecks, flags: FlagArray) -> Read:
        """Return the spacing in the procedure's gate."""
        spacing = seen.echoes[seen.layout.back_wall].spacing
        return read_between(seen, Interval(*spacing), run, flags)

    def alternative_mm(self, read: Read, columns: Columns) -> FloatArray:
        """Return what each wall would be if its likeliest alternative were right."""
        return alternative_between(self.calibration, read, columns)
