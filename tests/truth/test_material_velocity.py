"""The material's velocity from step times that diffraction bends, on three arrangements."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from ascan import AscanError, Procedure

BENCHES = Path(__file__).resolve().parents[2] / "benches"


@pytest.fixture(scope="module")
def bench() -> Iterator[ModuleType]:
    sys.path.insert(0, str(BENCHES))
    yield importlib.import_module("material_velocity")
    sys.path.remove(str(BENCHES))


@pytest.mark.parametrize("arrangement", ["contact", "delay_line", "immersion"])
def test_the_materials_velocity_is_held_and_the_effective_one_is_another(
    bench: ModuleType, arrangement: str
) -> None:
    """12 trials: none beyond three u; 95 % are tried by the bench. The effective one is far off."""
    rng = np.random.default_rng(17)
    done = np.array([bench.trial(arrangement, rng) for _ in range(12)])
    off = np.abs(done[:, 2] - done[:, 0])
    assert (off < 3.0 * done[:, 3]).all()
    assert np.median(np.abs(done[:, 1] - done[:, 0])) > 4.0 * np.median(off)
    # An element of 3 % unknown width and steps of 5 µm: no better than a part in two thousand.
    assert 1e-3 < np.median(done[:, 3]) < 5e-3


def test_readings_from_an_interface_echo_are_freed_where_the_procedure_asks(
    bench: ModuleType,
) -> None:
    """Then what is fitted is the material's velocity, and the zero is what is left of the pulse."""
    text = bench.ARRANGEMENTS["delay_line"].replace("WIDE", "6.0")
    asked = text.replace('"wall"] }', '"wall"], diffraction = "round_element" }')
    assert Procedure.from_text(asked).interval.diffraction == "round_element"
    with pytest.raises(AscanError, match="an interval from the interface echo"):
        Procedure.from_text(asked.replace("element_diameter_mm = 6.0", 'name = "P"'))
