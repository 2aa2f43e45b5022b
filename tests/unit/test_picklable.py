"""Objects that a program sends to other processes arrive as they were."""

import copy
import pickle

import numpy as np
import pytest

from ascan import Calibration, Readings, Scan, measure
from ascan.base.errors import AscanError
from ascan.examples import plate_example


def sent(thing):
    return pickle.loads(pickle.dumps(thing))


@pytest.mark.parametrize("carry", [sent, copy.deepcopy])
def test_copies_measure_as_the_originals_do(carry) -> None:
    scan, procedure, calibration = plate_example(thickness_mm=8.0)
    readings = measure(scan, procedure, calibration)
    there: tuple[Scan, Calibration, Readings] = (carry(scan), carry(calibration), carry(readings))
    again = measure(there[0], carry(procedure), there[1])
    assert there[1].digest == calibration.digest
    for name, column in readings.columns.items():
        np.testing.assert_array_equal(again.columns[name], column)
        np.testing.assert_array_equal(there[2].columns[name], column)
    with pytest.raises(TypeError):
        there[1].health["velocity_plausible"] = True  # type: ignore[index]


def test_a_column_asked_for_as_a_row_says_where_columns_are() -> None:
    scan, procedure, calibration = plate_example(thickness_mm=8.0)
    with pytest.raises(AscanError, match=r"readings\.columns\['u_mm'\]"):
        measure(scan, procedure, calibration)["u_mm"]  # type: ignore[index]
