"""What a procedure leaves unstated is allowed for, and nothing is decided without a figure."""

from __future__ import annotations

import numpy as np
import pytest

from ascan import AscanError, Procedure, calibrate, measure
from ascan.examples import PROCEDURE, plate_scan
from ascan.path.pipe import film_mm
from ascan.uncertainty.allowances import STEEL_PERCENT
from ascan.uncertainty.decision import Verdict

STEPS = np.array([3.0, 5.0, 10.0, 20.0])
MINIMUM = "[decision]\nminimum_mm = 6.0\n"


def walls(
    true_mm: float, slower_percent: float, more: str, n: int = 1
) -> tuple[np.ndarray, np.ndarray]:
    """Return verdicts and expanded u of walls of a steel slower than the block's."""
    how = Procedure.from_text(PROCEDURE + more + MINIMUM)
    fit = calibrate(plate_scan(STEPS), how, STEPS, u_known_mm=0.002)
    late = plate_scan(np.full(n, true_mm / (1.0 - 0.01 * slower_percent)))
    readings = measure(late, how, fit)
    return readings.columns["decision"], readings.columns["expanded_mm"]


@pytest.mark.parametrize("slower_percent", [0.3, 0.7])
def test_a_wall_below_the_minimum_of_slower_steel_is_not_accepted(slower_percent: float) -> None:
    """It reads thick by 18 and 42 µm; nothing was stated of its velocity."""
    (verdict,), _ = walls(5.999, slower_percent, "")
    assert verdict == Verdict.CONDITIONAL_ACCEPT
    (verdict,), _ = walls(6.2, slower_percent, "")
    assert verdict == Verdict.ACCEPT


def test_an_unstated_velocity_widens_by_the_spread_of_steels() -> None:
    """Block 5.92 ± 0.03 (EN 15317), component 5.90 to 5.96 mm/µs (ASTM E494, CRC): 0.41 %."""
    assert pytest.approx(100 * np.hypot(0.03, 0.03) / np.sqrt(3) / 5.92) == STEEL_PERCENT
    _, (taken,) = walls(8.0, 0.0, "")
    stated = "[uncertainty]\ncomponent_velocity_percent = 0.1\n"
    _, (narrow,) = walls(8.0, 0.0, stated)
    by_velocity = np.sqrt((taken**2 - narrow**2) / 1.96**2)
    assert by_velocity == pytest.approx(0.08 * np.sqrt(STEEL_PERCENT**2 - 0.1**2), rel=1e-3)


def test_nothing_is_decided_where_no_figure_can_be_taken() -> None:
    """Aluminium: its alloys have no spread that this program could defend."""
    other = PROCEDURE + '[material]\nname = "aluminium"\nvelocity_mm_per_us = 6.32\n'
    how = Procedure.from_text(other + MINIMUM)
    _, unknown = how.allowances()
    assert unknown == ["component_velocity_percent"]
    stretch = 5.92 / 6.32
    fit = calibrate(plate_scan(STEPS * stretch), how, STEPS, u_known_mm=0.002)
    readings = measure(plate_scan(np.array([12.0]) * stretch), how, fit)
    assert readings.columns["decision"][0] == Verdict.UNDECIDED
    assert np.isfinite(readings.thickness_mm[0])
    stated = Procedure.from_text(
        other + "[uncertainty]\ncomponent_velocity_percent = 1.0\n" + MINIMUM
    )
    found = measure(plate_scan(np.array([12.0]) * stretch), stated, fit)
    assert found.columns["decision"][0] == Verdict.ACCEPT


def test_a_zero_needs_a_reason() -> None:
    zero = "[uncertainty]\ncomponent_velocity_percent = 0.0\n"
    (one,) = (
        each
        for each in Procedure.from_text(PROCEDURE + zero).allowances()[0]
        if each.key == "component_velocity_percent"
    )
    assert one.size > 0.004
    because = zero + 'reason = "cut from the same plate as the block"\n'
    (one,) = (
        each
        for each in Procedure.from_text(PROCEDURE + because).allowances()[0]
        if each.key == "component_velocity_percent"
    )
    assert one.size == 0.0
    assert "same plate" in str(one)


def test_readings_on_the_block_allow_for_nothing_of_the_component() -> None:
    how = Procedure.from_text(PROCEDURE).on_block
    assert how.allowances() == ([], [])
    fit = calibrate(plate_scan(STEPS), how, STEPS, u_known_mm=0.002)
    readings = measure(plate_scan(np.array([8.0])), how, fit)
    assert readings.u_mm == pytest.approx(readings.u_on_block_mm)


def test_a_reason_is_a_text() -> None:
    with pytest.raises(AscanError, match="reason"):
        Procedure.from_text(PROCEDURE + "[uncertainty]\nreason = 3\n")


def test_a_flat_element_on_a_pipe_is_freed_of_the_film_beside_its_crown() -> None:
    """Mean gap a² / 8R over a disc, by quadrature; four times as thick as wall, u a third root."""
    a_mm, radius_mm = 3.0, 57.15
    at = (np.arange(2000) + 0.5) / 2000.0 * 2.0 * a_mm - a_mm
    chord = 2.0 * np.sqrt(a_mm**2 - at**2)
    gap = radius_mm - np.sqrt(radius_mm**2 - at**2)
    mean_mm = float((gap * chord).sum() / chord.sum())
    assert film_mm(6.0, 114.3)[0] == pytest.approx(mean_mm, rel=1e-2)
    wide = PROCEDURE.replace(
        "frequency_mhz = 5.0", "frequency_mhz = 5.0, element_diameter_mm = 6.0"
    )
    pipe = "[pipe]\noutside_diameter_mm = 114.3\n"
    how = Procedure.from_text(wide + pipe)
    fit = calibrate(plate_scan(STEPS), how, STEPS, u_known_mm=0.002)
    readings = measure(plate_scan(np.array([8.0])), how, fit)
    off = 8.0 - readings.thickness_mm[0]
    assert off == pytest.approx(mean_mm * 5.92 / 1.4824, rel=2e-2)
    assert readings.columns["from_pipe_mm"][0] == pytest.approx(off / np.sqrt(3.0), rel=1e-3)
    with pytest.raises(AscanError, match="without element_diameter_mm"):
        Procedure.from_text(PROCEDURE + pipe)
