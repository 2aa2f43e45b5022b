"""Names for the array types that appear in signatures."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
FlagArray = npt.NDArray[np.uint32]
SignArray = npt.NDArray[np.int8]
AnyArray = npt.NDArray[Any]
# One value per row, by the name of the column.
Columns = dict[str, AnyArray]
