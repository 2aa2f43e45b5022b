"""The spacing of all echoes of a layered record under a coating that is fitted with it."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

from ascan.base.flags import Flag
from ascan.checks.check_input import CheckInput
from ascan.engine.read import Read, RunChecks
from ascan.engine.readers.layered import LayeredReader
from ascan.kernels.arrays import Columns, FlagArray, FloatArray


@dataclass(frozen=True, eq=False, slots=True)
class CoatedReader:
    """Reads layered records with a coating; immutable, thread-safe.

    ``coating_mm_per_us`` is the coating's velocity.
    """

    layered: LayeredReader
    coating_mm_per_us: float

    @property
    def inverted_hints(self) -> Flag:
        """As of a bare wall."""
        return self.layered.inverted_hints

    def read(self, seen: CheckInput, run: RunChecks, flags: FlagArray) -> Read:
        """Return the spacing that explains each record best, and the coating."""
        read = self.layered.read(seen, run, flags)
        coating_mm = 0.5 * self.coating_mm_per_us * read.columns["coating_us"]
        kept = {name: each for name, each in read.columns.items() if name != "coating_us"}
        return dataclasses.replace(read, columns=kept | {"coating_mm": coating_mm})

    def alternative_mm(self, read: Read, columns: Columns) -> FloatArray:
        """Return what each wall would be if its likeliest alternative were right."""
        return self.layered.alternative_mm(read, columns)
