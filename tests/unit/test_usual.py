"""What a procedure takes that it leaves out, and that an old calibration is measured as it was."""

from __future__ import annotations

import numpy as np
import pytest
from builders import burst, scan_of

from ascan import AscanError, Procedure, Scan, calibrate, measure
from ascan.kernels.arrays import FloatArray

V_MM_PER_US = 5.92
STEPS_MM = np.array([6.0, 9.0, 12.0, 16.0])
CONTACT = """
probe = { arrangement = "contact", frequency_mhz = 5.0 }
interval = { mode = "time_zero_to_echo", gates = ["wall"] }
gate = [{ name = "wall", start_us = 1.0, stop_us = 9.0, threshold = 0.1, echo = "largest"TIMING }]
"""
LEFT_OUT, PEAK = CONTACT.replace("TIMING", ""), CONTACT.replace("TIMING", ', timing = "peak"')


def old(text: str) -> str:
    """Return a procedure that states what was taken before."""
    return text.replace("gate = [", 'filter = { kind = "none" }\ngate = [')


def records(walls_mm: FloatArray, noise: float = 1e-3, seed: int = 3) -> Scan:
    time_us = np.arange(1100) / 100.0
    wave = 0.6 * burst(time_us, 2.0 * walls_mm / V_MM_PER_US)
    return scan_of(wave + noise * np.random.default_rng(seed).standard_normal(wave.shape))


def of_dual(mode: str) -> str:
    return f"""
    probe = {{ arrangement = "dual", frequency_mhz = 5.0, wedge_height_mm = 8.0, roof_deg = 3.5,
               wedge_velocity_mm_per_us = 2.4, element_width_mm = 5.0, element_length_mm = 8.0 }}
    interval = {{ mode = "{mode}", gates = ["wall"] }}
    gate = [{{ name = "wall", start_mm = 1.0, stop_mm = 30.0, echo = "first_arrival" }}]
    """.replace(",\n               ", ", ")


@pytest.mark.parametrize(
    ("text", "timing", "band"),
    [
        (LEFT_OUT, "correlation", None),
        (PEAK, "peak", (2.0, 8.0)),
        (old(PEAK), "peak", None),
        (of_dual("time_zero_to_echo"), "first_crossing", (1.5, 9.0)),
        (of_dual("whole_record"), "first_crossing", (1.5, 9.0)),
    ],
)
def test_what_is_left_out(text: str, timing: str, band: tuple[float, float] | None) -> None:
    procedure = Procedure.from_text(text)
    assert procedure.gates[0].timing.name == timing
    if band is None:
        assert procedure.filter.kind == "none"
    else:
        assert (procedure.filter.low_mhz, procedure.filter.high_mhz) == pytest.approx(band)


def test_echoes_of_an_interval_are_timed_alike() -> None:
    """One gate that states its method leaves the other at a peak, as it was."""
    text = """
    probe = { arrangement = "contact", frequency_mhz = 5.0 }
    interval = { mode = "echo_to_echo", gates = ["wall", "second"] }
    [[gate]]
    name = "wall"
    start_mm = 3.0
    stop_mm = 20.0
    threshold = 0.1
    [[gate]]
    name = "second"
    follows = "wall"
    start_mm = 3.0
    stop_mm = 20.0
    threshold = 0.1
    """
    methods = [gate.timing.name for gate in Procedure.from_text(text).gates]
    assert methods == ["correlation", "correlation"]
    one = text.replace('name = "wall"\n', 'name = "wall"\n    timing = "peak"\n')
    assert [gate.timing.name for gate in Procedure.from_text(one).gates] == ["peak", "peak"]


def test_the_band_ends_below_half_the_rate() -> None:
    coarse = Scan.from_array(np.zeros((1, 200)), sample_rate_mhz=12.5, full_scale=1.0)
    meant = Procedure.from_text(PEAK).meant_for(coarse.recording)
    assert meant.filter.high_mhz == pytest.approx(0.45 * 12.5)


def test_rectified_records_have_neither_shape_nor_band() -> None:
    sizes = np.abs(records(STEPS_MM).rows.read_block(0, 4))
    scan = scan_of(sizes, full_scale=1.0, rectified=True)
    fit = calibrate(scan, Procedure.from_text(LEFT_OUT), STEPS_MM, u_known_mm=0.01)
    readings = measure(scan, Procedure.from_text(LEFT_OUT), fit)
    assert readings.thickness_mm == pytest.approx(STEPS_MM, abs=0.05)


def test_a_calibration_made_before_is_measured_with_as_it_was_made() -> None:
    """An old file holds an unfiltered peak; the same procedure then says nothing of it."""
    before = Procedure.from_text(old(PEAK))
    fit = calibrate(records(STEPS_MM), before, STEPS_MM, u_known_mm=0.01)
    walls = records(np.linspace(7.0, 15.0, 20), seed=4)
    then = measure(walls, before, fit)
    for text in (LEFT_OUT, PEAK):
        now = measure(walls, Procedure.from_text(text), fit)
        for name, values in then.columns.items():
            assert np.array_equal(values, now.columns[name], equal_nan=values.dtype.kind == "f")
    stated = CONTACT.replace("TIMING", ', timing = "correlation"')
    with pytest.raises(AscanError, match="another timing"):
        measure(walls, Procedure.from_text(stated), fit)


def test_noise_moves_no_reading_to_another_half_cycle() -> None:
    """At 14 dB: what is left out reads 400 walls to an eighth of a wavelength, a peak does not."""
    noise = 0.6 * 10.0 ** (-14.0 / 20.0)
    steps = np.repeat(STEPS_MM, 8)
    walls = np.random.default_rng(5).uniform(6.5, 15.5, 400)
    off = {}
    for name, text in (("left out", LEFT_OUT), ("peak", old(PEAK))):
        procedure = Procedure.from_text(text.replace("threshold = 0.1", "threshold = 0.4"))
        fit = calibrate(records(steps, 0.02), procedure, steps, u_known_mm=0.01)
        found = measure(records(walls, noise, 6), procedure, fit).thickness_mm
        off[name] = np.abs(found - walls) > V_MM_PER_US / 5.0 / 8.0
    assert off["left out"].sum() == 0
    assert off["peak"].mean() > 0.02
