"""Every part of u is in u, and every health figure and self-check can fail."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from builders import SAMPLE_RATE_MHZ, burst, scan_of, wall_procedure
from hypothesis import given
from hypothesis import strategies as st

from ascan import Calibration, Procedure, Scan, calibrate, measure, time_echoes
from ascan.calibration.line import fit_line
from ascan.calibration.thickness import line_parts, to_thickness, walls
from ascan.checks.interface_multiple import weigh_repeat
from ascan.checks.uneven_spacing import mark_uneven
from ascan.examples import PROCEDURE, plate_example, plate_scan

V = 5.92


def u_of_line(value: float, velocity: float, covariance: np.ndarray) -> float:
    """Return the u that a line leaves in a thickness."""
    return float(np.hypot(*line_parts(np.array([value]), velocity, covariance))[0])


def test_gum_h3_through_the_thickness_stage() -> None:
    """JCGM 100:2008 H.3: the prediction at 30 °C and its u, as a thickness of the line −b(t).

    d = v (t − t₀) / 2 is the line with slope v/2 and intercept −v t₀/2; its covariance follows from
    that of intercept and slope. Without the correlation u would be 0.007273 instead of 0.004139.
    """
    reading = np.array(
        [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    )
    correction = np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160]) / 1000.0
    fit = fit_line(reading - 20.0, correction)
    velocity, zero = 2.0 * fit.slope, -fit.intercept / fit.slope
    jacobian = np.array([[-1.0 / fit.slope, fit.intercept / fit.slope**2], [0.0, 2.0]])
    covariance = jacobian @ fit.covariance @ jacobian.T
    out = walls(1)
    to_thickness(np.array([10.0]), zero, velocity, out, np.zeros(1, np.uint32))
    value = float(out.thickness[0])
    assert value == pytest.approx(0.149376813, abs=1e-8)
    u = u_of_line(value, velocity, covariance)
    assert u == pytest.approx(0.004138596, abs=1e-8)
    wrong = u_of_line(value, velocity, np.diag(np.diag(covariance)))
    assert abs(wrong - u) > 0.003


@given(
    zero=st.floats(0.0, 0.1), velocity=st.floats(0.0, 0.1), alike=st.floats(-1.0, 1.0),
    wall=st.floats(0.1, 100.0),
)  # fmt: skip
def test_two_independent_errors_are_those_of_the_line(
    zero: float, velocity: float, alike: float, wall: float
) -> None:
    """J C Jᵀ of JCGM 100:2008, 5.2.2, with J = (−v/2, d/v), for any covariance."""
    cross = alike * zero * velocity
    covariance = np.array([[zero**2, cross], [cross, velocity**2]])
    follows = np.array([-0.5 * V, wall / V])
    square = max(float(follows @ covariance @ follows), 0.0)
    found = u_of_line(wall, V, covariance)
    assert found**2 == pytest.approx(square, rel=1e-6, abs=1e-9 * (zero + velocity + 1e-6))


def test_combined_u_is_the_root_sum_of_squares() -> None:
    scan, procedure, calibration = plate_example(8.0)
    columns = measure(scan, procedure, calibration).columns
    parts = np.hypot(columns["u_random_mm"], columns["u_common_mm"])
    assert columns["u_mm"] == pytest.approx(parts, rel=1e-12)


def test_noise_on_a_fixed_level_is_noise_over_slope() -> None:
    """A slow half wave through the level: u = σ / slope (JCGM 100:2008 5.1.2), within 15 %."""
    rng = np.random.default_rng(7)
    time_us = np.arange(1100) / SAMPLE_RATE_MHZ
    wave = 0.8 * np.exp(-0.5 * ((time_us - 5.0) / 0.15) ** 2)
    signal = wave + rng.normal(0.0, 0.004, (600, 1100))
    procedure = wall_procedure('{ method = "first_crossing", level = 0.4 }')
    u = time_echoes(scan_of(signal), procedure).columns["u_interval_us"]
    slope = 0.4 * np.sqrt(2.0 * np.log(2.0)) / 0.15
    assert np.median(u) == pytest.approx(0.004 / slope, rel=0.15)


def calibrated(thickness: np.ndarray, known: np.ndarray, text: str = PROCEDURE) -> Calibration:
    return calibrate(plate_scan(thickness), Procedure.from_text(text), known, u_known_mm=0.005)


STEPS = np.array([5.0, 8.0, 12.0, 16.0])


def test_a_good_calibration_is_healthy() -> None:
    good = calibrated(np.repeat(STEPS, 2), np.repeat(STEPS, 2))
    assert good.warnings == []
    assert all(good.health.values())


@pytest.mark.parametrize(
    ("thickness", "known", "text", "name"),
    [
        (STEPS, STEPS + np.array([0.0, 0.5, 0.0, 0.0]), PROCEDURE, "residuals_explained"),
        (STEPS[:2], STEPS[:2], PROCEDURE, "residuals_tested"),
        (STEPS, STEPS, PROCEDURE, "repeatability_tested"),
        (STEPS, STEPS * 1.1, PROCEDURE, "velocity_plausible"),
        (STEPS + 4.0, STEPS, PROCEDURE, "zero_plausible"),
        (STEPS, STEPS, PROCEDURE + "\n[range]\nmin_mm = 3.0\nmax_mm = 14.0", "range_is_bracketed"),
        (STEPS, STEPS, PROCEDURE + "\n[range]\nmin_mm = 6.0\nmax_mm = 19.0", "range_is_bracketed"),
    ],
)
def test_each_health_figure_can_fail(
    thickness: np.ndarray, known: np.ndarray, text: str, name: str
) -> None:
    calibration = calibrated(thickness, known, text)
    assert not calibration.health[name]
    assert len(calibration.warnings) >= 1


def test_unsteady_readings_are_not_repeatable() -> None:
    wander = np.repeat(STEPS, 4) + np.tile([0.0, 0.15, -0.15, 0.1], 4)
    calibration = calibrated(wander, np.repeat(STEPS, 4))
    assert not calibration.health["repeatable"]
    # 0.15 mm of steel, there and back, is about 45 ns.
    assert calibration.repeatability_us == pytest.approx(0.043, abs=0.01)


def test_a_step_without_a_usable_reading_is_told() -> None:
    thickness = np.array([5.0, 8.0, 12.0, 60.0])
    calibration = calibrated(thickness, thickness)
    assert not calibration.health["every_step_used"]
    assert "row 3 on 60 mm: no_echo" in calibration.conditions["rows_left_out"]


@pytest.mark.parametrize(("bad", "good"), [(4, True), (5, False)])
def test_a_calibration_on_fewer_than_half_of_its_readings_is_in_doubt(bad: int, good: bool) -> None:
    known = np.repeat(STEPS[:4], 2)
    thickness = known.copy()
    thickness[[1, 3, 5, 7, 0][:bad]] = 60.0
    calibration = calibrated(thickness, known)
    assert calibration.health["most_readings_used"] is good
    kept = calibration.conditions["readings_kept"].split(", ")
    assert kept[1:] == [f"{step:g} mm 1 of 2" for step in STEPS[1:4]]
    assert any("fewer than half" in text for text in calibration.warnings) is not good


def test_echo_to_echo_offset_is_a_health_figure() -> None:
    text = """
    probe = { arrangement = "contact", frequency_mhz = 5.0 }
    interval = { mode = "echo_to_echo", gates = ["wall", "wall_2"] }
    [[gate]]
    name = "wall"
    start_us = 1.0
    stop_us = 4.5
    threshold = 0.2
    [[gate]]
    name = "wall_2"
    follows = "wall"
    start_us = 1.0
    stop_us = 4.5
    threshold = 0.2
    """
    time_us = np.arange(1000) / SAMPLE_RATE_MHZ
    spacing = 2.0 * STEPS[:3] / V
    for shift, good in ((0.0, True), (0.05, False)):
        first, second = burst(time_us, spacing), burst(time_us, 2.0 * spacing + shift)
        scan = scan_of(0.6 * first + 0.5 * second)
        calibration = calibrate(scan, Procedure.from_text(text), STEPS[:3], u_known_mm=0.005)
        assert calibration.zero_us == 0.0
        assert calibration.fit.fitted_zero_us == pytest.approx(shift, abs=2e-3)
        assert calibration.health["offset_is_zero"] == good


def test_uneven_third_spacing_is_seen() -> None:
    found, nothing = np.zeros(3, np.bool_), np.full(3, np.nan)
    times = np.array([[2.0, 2.0, 2.0], [4.0, 4.0, 4.0], [6.0, 6.0, 6.3], [8.0, 8.3, 8.3]])
    mark_uneven(nothing, times, 0.2, found)
    assert found.tolist() == [False, True, True]


@pytest.mark.parametrize("number", [2, 3, 4])
def test_every_repeat_of_the_surface_is_known(number: int) -> None:
    odds = np.empty(2)
    weigh_repeat(np.full(2, 10.4), 0.4 + number * np.array([10.0, 10.9]), 0.4, 0.3, odds)
    assert odds[0] == 0.0
    assert odds[1] > 0.0


def test_gates_in_mm_stay_where_they_are_after_calibration() -> None:
    """The zero of an interval is not the time zero: a probe's delay moves its gates always."""
    delay = 4.0
    text = f"""
    probe = {{ arrangement = "contact", frequency_mhz = 5.0, delay_us = {delay} }}
    interval = {{ mode = "echo_to_echo", gates = ["one", "two"] }}
    [[gate]]
    name = "one"
    start_mm = 3.0
    stop_mm = 7.0
    threshold = 0.2
    [[gate]]
    name = "two"
    start_mm = 8.0
    stop_mm = 13.0
    threshold = 0.2
    """
    time_us = np.arange(1000) / SAMPLE_RATE_MHZ
    signal = 0.6 * burst(time_us, delay + 10.0 / V) + 0.5 * burst(time_us, delay + 20.0 / V)
    procedure = Procedure.from_text(text)
    scan = scan_of(np.stack([signal, signal]))
    calibration = calibrate(scan, procedure, [5.0, 5.0], u_known_mm=0.01)
    readings = measure(scan, procedure, calibration)
    assert readings.thickness_mm == pytest.approx([5.0, 5.0], abs=1e-6)


def test_search_for_a_level_waits_for_the_end_of_another_half_cycle() -> None:
    """The search may begin inside an earlier echo that stands above the level: not its crossing."""
    time_us = np.arange(1100) / SAMPLE_RATE_MHZ
    early, late = 0.8 * burst(time_us, 4.7), 0.9 * burst(time_us, 5.3)
    text = '{ method = "first_crossing", level = 0.5 }'
    gate = 'echo = "largest"\nhalf_cycles = "positive"'
    found = time_echoes(scan_of(early + late), wall_procedure(text, gate=gate))
    alone = time_echoes(scan_of(late), wall_procedure(text, gate=gate))
    time = found.picks("wall")["time_us"][0]
    assert time == pytest.approx(alone.picks("wall")["time_us"][0], abs=0.01)


def test_a_reach_that_ends_on_a_flank_climbs_to_the_top() -> None:
    """One and a half periods after the arrival the signal still grows: its top is timed."""
    time_us = np.arange(1100) / SAMPLE_RATE_MHZ
    slow = 0.7 * np.exp(-0.5 * ((time_us - 5.0) / 0.3) ** 2)
    found = time_echoes(scan_of(slow), wall_procedure())
    assert found.picks("wall")["time_us"][0] == pytest.approx(5.0, abs=1e-6)


def test_methods_that_need_rf_refuse_rectified_records() -> None:
    from ascan import AscanError
    from ascan.timing import Traits

    procedure = wall_procedure()

    class NeedsRf(type(procedure.gates[0].timing)):
        traits = Traits(needs_rf=True)

    gate = dataclasses.replace(procedure.gates[0], timing=NeedsRf())
    scan = Scan.from_array(np.zeros((1, 1000)), sample_rate_mhz=100.0, rectified=True)
    with pytest.raises(AscanError, match="needs the RF signal"):
        time_echoes(scan, dataclasses.replace(procedure, gates=(gate,)))
