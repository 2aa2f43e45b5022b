"""Values that steps teach, as data: a name, a unit, a meaning, and how they are laid out."""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field

from ascan.kernels.arrays import FloatArray


class Kind(enum.Enum):
    """How a learned value is laid out: its shape for each gate."""

    ONE = "one number"
    SPAN = "least and most"
    PER_STEP = "one number for each named step, NaN where it taught nothing"


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedValue:
    """Something that every gate's steps teach; two are the same if their names are.

    Attributes
    ----------
    name : str
        In files and in the calibration.
    kind : Kind
    unit, meaning : str
    absent : float
        What stands in where it was not learned.
    """

    name: str
    kind: Kind = field(compare=False)
    unit: str = field(compare=False)
    meaning: str = field(compare=False)
    absent: float = field(default=float("nan"), compare=False)

    def __str__(self) -> str:
        return self.name


# What a calibration has learned: for each value, an array for each gate.
LearnedValues = Mapping[LearnedValue, Mapping[str, FloatArray]]
