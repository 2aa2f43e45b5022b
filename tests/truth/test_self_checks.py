"""What misleads is told: each self-check on signals that hold its fault and no other."""

from __future__ import annotations

import numpy as np
import pytest
from builders import SAMPLE_RATE_MHZ, burst
from hypothesis import given, settings
from hypothesis import strategies as st

from ascan import Calibration, Procedure, Readings, Scan, calibrate, measure
from ascan.base.flags import Flag
from ascan.kernels.arrays import FloatArray
from ascan.waveform.spikes import STANDS_OUT

VELOCITY_MM_PER_US, SURFACE_US = 5.92, 9.0
TIME_US = np.arange(2400) / SAMPLE_RATE_MHZ
NOISE = 0.002
STEPS_MM = np.repeat([4.0, 8.0, 16.0], 3)
PROCEDURE = Procedure.from_text("""
probe = { arrangement = "delay_line", frequency_mhz = 5.0 }
interval = { mode = "interface_to_echo", gates = ["surface", "wall"] }
[[gate]]
name = "surface"
start_us = 8.0
stop_us = 10.0
threshold = 0.1
[[gate]]
name = "wall"
follows = "surface"
start_mm = 2.0
stop_mm = 20.0
threshold = 0.05
""")


def waveforms(
    thickness_mm: FloatArray,
    rng: np.random.Generator,
    *,
    decay: float = 0.6,
    late_us: float = 0.0,
    ahead_us: float = 0.0,
    height: float = 0.4,
) -> FloatArray:
    """Return interface echo and three back-wall echoes in noise.

    The record begins ``late_us`` early; something of the wall's first run takes ``ahead_us`` more.
    """
    wall_us = 2.0 * np.asarray(thickness_mm, np.float64) / VELOCITY_MM_PER_US
    first_us = SURFACE_US + late_us + ahead_us
    signal = 0.5 * burst(TIME_US, np.full(wall_us.size, SURFACE_US + late_us))
    for n in range(1, 4):
        signal += height * decay ** (n - 1) * burst(TIME_US, first_us + n * wall_us)
    return signal + NOISE * rng.standard_normal(signal.shape)


def scan_of(signal: FloatArray) -> Scan:
    codes = np.clip(np.rint(signal * 8192.0), -8192, 8191).astype(np.int16)
    return Scan.from_array(
        codes, sample_rate_mhz=SAMPLE_RATE_MHZ, full_scale=8192, clip_low=-8192, clip_high=8191
    )


@pytest.fixture(scope="module")
def fit() -> Calibration:
    block = waveforms(STEPS_MM, np.random.default_rng(1))
    return calibrate(scan_of(block), PROCEDURE, STEPS_MM, u_known_mm=0.002)


def read(signal: FloatArray, fit: Calibration) -> Readings:
    return measure(scan_of(signal), PROCEDURE, fit)


def test_what_misleads_nobody_is_not_marked(fit: Calibration) -> None:
    """No check cries at sound walls: 4000 of them, one in a hundred at most."""
    rng = np.random.default_rng(2)
    truth = rng.uniform(4.0, 16.0, 4000)
    readings = read(waveforms(truth, rng), fit)
    assert (readings.flags != 0).mean() < 0.01
    assert np.abs(readings.thickness_mm - truth).max() < 0.03


def test_an_offset_is_taken_off(fit: Calibration) -> None:
    rng = np.random.default_rng(3)
    truth = rng.uniform(4.0, 16.0, 200)
    clean = waveforms(truth, rng)
    for offset in (-0.3, 0.02, 0.3):
        readings = read(clean + offset, fit)
        assert (readings.flags == 0).mean() > 0.98
        assert np.abs(readings.thickness_mm - truth).max() < 0.03


def test_an_offset_in_volts_is_taken_off(fit: Calibration) -> None:
    """Floating-point records of full scale 1 have no whole codes to be moved by."""
    rng = np.random.default_rng(16)
    truth = rng.uniform(4.0, 16.0, 50)
    signal = (waveforms(truth, rng) + 0.1).astype(np.float32)
    scan = Scan.from_array(
        signal, sample_rate_mhz=SAMPLE_RATE_MHZ, full_scale=1.0, clip_low=-1.0, clip_high=1.0
    )
    readings = measure(scan, PROCEDURE, fit)
    assert (readings.flags == 0).mean() > 0.9
    assert np.abs(readings.thickness_mm - truth).max() < 0.03


def test_an_offset_that_drives_the_echo_into_clipping_is_no_excuse(fit: Calibration) -> None:
    readings = read(waveforms([9.0], np.random.default_rng(4)) + 0.7, fit)
    assert Flag.SATURATED in Flag(int(readings.flags[0]))


def test_spikes_are_mended_and_those_under_an_echo_are_told(fit: Calibration) -> None:
    rng = np.random.default_rng(5)
    truth = np.full(300, 8.5)
    signal = waveforms(truth, rng)
    wall = int((SURFACE_US + 2.0 * 8.5 / VELOCITY_MM_PER_US) * SAMPLE_RATE_MHZ)
    place = rng.integers(5, TIME_US.size - 5, 300)
    place[:50] = wall + rng.integers(-10, 10, 50)
    signal[np.arange(300), place] += rng.choice([-0.3, 0.3], 300)
    readings = read(signal, fit)
    assert np.abs(readings.thickness_mm - truth).max() < 0.03
    spiked = (readings.flags & np.uint32(Flag.SPIKE_REPAIRED)) != 0
    assert spiked[:50].all()
    surface = int(SURFACE_US * SAMPLE_RATE_MHZ)
    far = (np.abs(place - wall) > 40) & (np.abs(place - surface) > 40)
    assert not spiked[far].any()


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    noise=st.floats(0.0, 0.05),
    height=st.floats(0.01, 3.0),
    place_us=st.floats(4.0, 10.0),
)
def test_no_pulse_is_taken_for_a_spike(
    seed: int, noise: float, height: float, place_us: float
) -> None:
    """Whatever its height, also where it clips; noise alone reaches the limit less than 1e-6."""
    assert STANDS_OUT >= 8.0
    rng = np.random.default_rng(seed)
    signal = height * burst(TIME_US, [place_us]) + noise * rng.standard_normal((1, TIME_US.size))
    procedure = Procedure.from_text("""
    probe = { arrangement = "contact", frequency_mhz = 5.0 }
    interval = { mode = "time_zero_to_echo", gates = ["wall"] }
    gate = [{ name = "wall", start_us = 1.0, stop_us = 14.0, threshold = 0.005, echo = "largest" }]
    """)
    from ascan import time_echoes

    found = time_echoes(scan_of(signal), procedure)
    assert not int(found.flags[0]) & Flag.SPIKE_REPAIRED


def test_a_record_that_stops_moving(fit: Calibration) -> None:
    rng = np.random.default_rng(6)
    signal = waveforms(np.full(50, 12.0), rng)
    wall_us = SURFACE_US + 2.0 * 12.0 / VELOCITY_MM_PER_US
    places = rng.integers(100, 2300, 50)
    for row, at in enumerate(places):
        signal[row, at:] = signal[row, at]
    told = (read(signal, fit).flags & np.uint32(Flag.RECORD_STUCK)) != 0
    ahead = places < (wall_us - 0.3) * SAMPLE_RATE_MHZ
    # One in some 16 stands still at the code of zero by chance: silence.
    assert told[ahead].mean() > 0.85
    # What comes after the timed echo says nothing of it.
    assert not told[places > (wall_us + 0.6) * SAMPLE_RATE_MHZ].any()


def test_a_record_again(fit: Calibration) -> None:
    signal = waveforms(np.full(6, 9.0), np.random.default_rng(7))
    signal[4] = signal[3]
    told = (read(signal, fit).flags & np.uint32(Flag.RECORD_DUPLICATE)) != 0
    assert told.tolist() == [False, False, False, False, True, False]


def test_a_record_again_across_blocks(fit: Calibration) -> None:
    """The scan is read a block at a time: the seams do not hide a repeat."""
    signal = np.repeat(waveforms([9.0], np.random.default_rng(8)), 2100, axis=0)
    told = (read(signal, fit).flags & np.uint32(Flag.RECORD_DUPLICATE)) != 0
    assert not told[0]
    assert told[1:].all()


def test_a_late_surface_echo_is_told_and_costs_no_accuracy(fit: Calibration) -> None:
    rng = np.random.default_rng(9)
    truth = rng.uniform(4.0, 16.0, 100)
    for late_us, told in ((0.1, False), (0.35, True), (-0.35, True)):
        readings = read(waveforms(truth, rng, late_us=late_us), fit)
        assert np.abs(readings.thickness_mm - truth).max() < 0.03
        moved = (readings.flags & np.uint32(Flag.INTERFACE_SHIFTED)) != 0
        assert moved.all() if told else not moved.any()


def test_an_echo_ahead_of_the_wall(fit: Calibration) -> None:
    """A pit under part of the beam: lower than the wall's echo, and earlier."""
    rng = np.random.default_rng(10)
    signal = waveforms(np.full(40, 14.0), rng)
    pit_us = SURFACE_US + 2.0 * rng.uniform(4.0, 10.0, 40) / VELOCITY_MM_PER_US
    signal += 0.1 * burst(TIME_US, pit_us)
    gate = PROCEDURE.text.replace("threshold = 0.05", 'threshold = 0.05\necho = "largest"')
    how = Procedure.from_text(gate)
    block = waveforms(STEPS_MM, np.random.default_rng(1))
    largest = calibrate(scan_of(block), how, STEPS_MM, u_known_mm=0.002)
    readings = measure(scan_of(signal), how, largest)
    assert ((readings.flags & np.uint32(Flag.UNEXPECTED_ECHO)) != 0).all()


def test_a_larger_echo_behind_the_timed_one(fit: Calibration) -> None:
    rng = np.random.default_rng(11)
    signal = waveforms(np.full(40, 14.0), rng)
    signal += 0.15 * burst(TIME_US, np.full(40, SURFACE_US + 2.0 * 5.0 / VELOCITY_MM_PER_US))
    readings = read(signal, fit)
    assert np.abs(readings.thickness_mm - 5.0).max() < 0.1
    assert ((readings.flags & np.uint32(Flag.UNEXPECTED_ECHO)) != 0).all()


def test_a_second_echo_higher_than_it_was_on_the_steps(fit: Calibration) -> None:
    """The first is another's: of a wall the second is lower, and by how much the steps have shown.

    On them it is 0.6 of the first; the procedure allows for 1.3 times that.
    """
    rng = np.random.default_rng(16)
    truth = rng.uniform(5.0, 9.0, 60)
    usual = read(waveforms(truth, rng, decay=0.7), fit)
    assert not (usual.flags & np.uint32(Flag.UNEXPECTED_ECHO)).any()
    higher = read(waveforms(truth, rng, decay=0.9), fit)
    assert ((higher.flags & np.uint32(Flag.UNEXPECTED_ECHO)) != 0).all()


def test_a_weak_wall_behind_a_strong_surface(fit: Calibration) -> None:
    """A flank sends the sound elsewhere; less gain does not change what is compared."""
    rng = np.random.default_rng(12)
    truth = np.full(40, 10.0)
    weak = read(waveforms(truth, rng, height=0.4 * 0.35), fit)
    assert ((weak.flags & np.uint32(Flag.WEAK_ECHO)) != 0).all()
    quiet = read(0.4 * waveforms(truth, rng), fit)
    assert not (quiet.flags & np.uint32(Flag.WEAK_ECHO)).any()


def test_a_layer_ahead_of_the_wall_shows_in_its_second_echo(fit: Calibration) -> None:
    """Paint under the probe lengthens the first run only: 0.1 µs is 0.3 mm of steel."""
    rng = np.random.default_rng(13)
    truth = np.full(40, 10.0)
    painted = read(waveforms(truth, rng, ahead_us=0.1), fit)
    assert np.abs(painted.thickness_mm - truth).min() > 0.25
    assert ((painted.flags & np.uint32(Flag.UNEVEN_SPACING)) != 0).all()


def test_the_spacing_of_two_echoes_is_held_against_the_surface(fit: Calibration) -> None:
    """Echo to echo, the first is a sheet's, the second the wall's: their spacing is no wall."""
    how = Procedure.from_text(
        PROCEDURE.text.replace("interface_to_echo", "echo_to_echo").replace(
            '"surface", "wall"', '"wall", "second"'
        )
        + """
        [[gate]]
        name = "second"
        follows = "wall"
        start_mm = 1.5
        stop_mm = 20.0
        threshold = 0.05
        """
    )
    between = calibrate(
        scan_of(waveforms(STEPS_MM[:6], np.random.default_rng(14))),
        how,
        STEPS_MM[:6],
        u_known_mm=0.002,
    )
    rng = np.random.default_rng(15)
    signal = waveforms(np.full(30, 12.0), rng)
    signal += 0.2 * burst(TIME_US, np.full(30, SURFACE_US + 2.0 * 5.5 / VELOCITY_MM_PER_US))
    readings = measure(scan_of(signal), how, between)
    assert ((readings.flags & np.uint32(Flag.UNEVEN_SPACING)) != 0).all()


def test_a_baseline_that_wanders_is_taken_off(fit: Calibration) -> None:
    """A tenth of full scale, as slow as a tenth of the probe's frequency: no filter, no flag."""
    rng = np.random.default_rng(17)
    truth = rng.uniform(4.0, 16.0, 200)
    phase = rng.uniform(0.0, 2.0 * np.pi, (200, 1))
    wander = 0.1 * np.sin(2.0 * np.pi * TIME_US / 8.0 + phase)
    readings = read(waveforms(truth, rng) + wander, fit)
    assert np.abs(readings.thickness_mm - truth).max() < 0.03
    assert (readings.flags == 0).mean() > 0.95


def test_a_record_turned_over_reads_the_same_and_says_so() -> None:
    """Where the procedure names the half-cycle, the mirror image is measured."""
    text = PROCEDURE.text.replace("threshold = 0.05", 'threshold = 0.05\nhalf_cycles = "positive"')
    named = Procedure.from_text(text)
    block = waveforms(STEPS_MM, np.random.default_rng(1))
    fit = calibrate(scan_of(block), named, STEPS_MM, u_known_mm=0.002)
    rng = np.random.default_rng(18)
    truth = rng.uniform(4.0, 16.0, 100)
    signal = waveforms(truth, rng)
    upright, turned = (measure(scan_of(way * signal), named, fit) for way in (1.0, -1.0))
    assert (upright.flags == 0).all()
    assert (turned.flags == np.uint32(Flag.POLARITY_INVERTED)).all()
    assert np.abs(turned.thickness_mm - upright.thickness_mm).max() < 1e-4


def test_a_rival_stands_beside_each_reading(fit: Calibration) -> None:
    """A half or a third of it, or half a cycle off (0.296 mm), or none; none is likelier."""
    rng = np.random.default_rng(19)
    truth = rng.uniform(4.0, 16.0, 200)
    readings = read(waveforms(truth, rng), fit)
    cause, odds = readings.columns["alternative_cause"], readings.columns["alternative_odds"]
    rival = readings.columns["alternative_mm"]
    assert (odds > 0.0).all()
    cycle = 0.25 * VELOCITY_MM_PER_US / 5.0
    known = np.stack([truth / 2.0, truth / 3.0, truth - cycle, truth + cycle])
    assert np.abs(known - rival)[:, cause != 3].min(axis=0).max() < 0.03
    assert np.isnan(rival[cause == 3]).all()


def test_an_echo_at_half_the_time_is_the_likelier_reading(fit: Calibration) -> None:
    """A wall of 5 mm whose second echo is timed: the rival is the first echo's thickness."""
    rng = np.random.default_rng(20)
    late = PROCEDURE.text.replace("start_mm = 2.0", "start_mm = 8.0")
    readings = measure(scan_of(waveforms(np.full(20, 5.0), rng)), Procedure.from_text(late), fit)
    columns = readings.columns
    assert np.abs(readings.thickness_mm - 10.0).max() < 0.03
    assert (readings.flags & np.uint32(Flag.MULTIPLE_SUSPECTED) != 0).all()
    assert (columns["alternative_cause"] == 2).all()
    assert (columns["alternative_odds"] < 0.0).all()
    assert np.abs(columns["alternative_mm"] - 5.0).max() < 0.05


def test_another_probe_is_told_by_the_shape_of_its_echoes(fit: Calibration) -> None:
    """Echoes of 3.5 and of 7 MHz on a calibration of 5 MHz, as loud and as early as its own."""
    rng = np.random.default_rng(21)
    truth = rng.uniform(5.0, 15.0, 50)
    wall_us = 2.0 * truth[:, None] / VELOCITY_MM_PER_US
    for mhz in (3.5, 7.0):
        signal = NOISE * rng.standard_normal((50, TIME_US.size))
        for late_us, height in ((0.0 * wall_us, 0.5), (wall_us, 0.4), (2.0 * wall_us, 0.24)):
            after = TIME_US - SURFACE_US - late_us
            signal += height * np.exp(-((after / 0.17) ** 2)) * np.cos(2.0 * np.pi * mhz * after)
        readings = read(signal, fit)
        assert (readings.flags & np.uint32(Flag.SHAPE_MISMATCH) != 0).all()
