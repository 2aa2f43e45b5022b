"""Gates against the record's ends, and one test for every flag."""

from __future__ import annotations

import numpy as np
import pytest
from builders import SAMPLE_RATE_MHZ, burst, scan_of, wall_procedure

from ascan import Flag, Procedure, Scan, calibrate, measure, time_echoes
from ascan.base.flags import FATAL, MEANINGS, NOTES, names, reasons, severity

TIME_US = np.arange(1100) / SAMPLE_RATE_MHZ


def flags_of(waveform: np.ndarray, gate: str = "", **scan: object) -> Flag:
    return Flag(int(time_echoes(scan_of(waveform, **scan), wall_procedure(gate=gate)).flags[0]))


def test_a_clean_echo_has_no_flag() -> None:
    assert flags_of(0.7 * burst(TIME_US, 5.0)) == Flag(0)


@pytest.mark.parametrize("level", [0.0, 0.19])
def test_no_echo(level: float) -> None:
    assert flags_of(level * burst(TIME_US, 5.0)) == Flag.NO_ECHO


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("place", [0, 500, 1099])
def test_not_finite_anywhere(bad: float, place: int) -> None:
    waveform = 0.7 * burst(TIME_US, 5.0)
    waveform[place] = bad
    assert Flag.NOT_FINITE in flags_of(waveform)


@pytest.mark.parametrize(
    ("start_us", "expected"),
    [
        (0.0, Flag(0)),
        (2.5, Flag.GATE_CUT_SHORT),  # the gate begins before the record
        (-12.0, Flag.GATE_OUTSIDE_RECORD),  # the record ends before the gate begins
        (-4.0, Flag(0)),  # the gate's end is cut, and its first echo is there
        (50.0, Flag.GATE_OUTSIDE_RECORD),
    ],
)
def test_gate_against_the_record(start_us: float, expected: Flag) -> None:
    waveform = 0.7 * burst(TIME_US + start_us, 5.0)
    scan = Scan.from_array(waveform, sample_rate_mhz=SAMPLE_RATE_MHZ, start_time_us=start_us)
    assert Flag(int(time_echoes(scan, wall_procedure()).flags[0])) == expected


def test_a_cut_gate_that_seeks_the_largest_echo_says_so() -> None:
    """What comes later may be larger; of the first echo, nothing later matters."""
    waveform = 0.7 * burst(TIME_US[:700], 5.0)
    assert Flag.GATE_CUT_SHORT in flags_of(waveform, 'echo = "largest"')
    assert flags_of(waveform) == Flag(0)


def test_a_gate_never_reads_past_the_record() -> None:
    """Another record's echo behind the end of this one is not seen."""
    block = np.zeros((2, 500))
    block[1] = 0.7 * burst(TIME_US[:500], 3.0)
    scan = scan_of(block)
    picks = time_echoes(scan, wall_procedure())
    assert picks.flags[0] == Flag.NO_ECHO | Flag.GATE_CUT_SHORT
    assert picks.picks("wall")["time_us"][1] == pytest.approx(3.0, abs=1e-4)


def test_saturation_is_judged_on_the_echo_that_was_timed() -> None:
    """A clipped transmit burst does not count; a clipped echo does, at either rail."""
    wall = 60.0 * burst(TIME_US, 5.0)
    transmit = np.where(TIME_US < 0.4, 127.0, 0.0)
    clean = (wall + transmit).astype(np.int8)
    assert flags_of(clean) == Flag(0)
    for rail in (400.0, -400.0):
        clipped = np.clip(rail * burst(TIME_US, 5.0) + transmit, -128, 127).astype(np.int8)
        assert Flag.SATURATED in flags_of(clipped)


def test_low_snr() -> None:
    rng = np.random.default_rng(2)
    noisy = 0.4 * burst(TIME_US, 5.0) + rng.normal(0.0, 0.12, TIME_US.size)
    assert Flag.LOW_SNR not in flags_of(noisy)
    strict = wall_procedure(extra="checks = { min_snr_db = 14.0 }")
    assert Flag.LOW_SNR in Flag(int(time_echoes(scan_of(noisy), strict).flags[0]))
    quiet = 0.4 * burst(TIME_US, 5.0) + rng.normal(0.0, 0.01, TIME_US.size)
    assert flags_of(quiet) == Flag(0)


@pytest.mark.parametrize("echo", ["first", "largest"])
@pytest.mark.parametrize("arrival_us", [1.85, 1.97, 9.04, 9.1])
def test_at_gate_edge(arrival_us: float, echo: str) -> None:
    """An echo whose main half-cycles lie outside is flagged, though a lobe of it lies inside."""
    gate = f'echo = "{echo}"'
    assert Flag.AT_GATE_EDGE in flags_of(0.7 * burst(TIME_US, arrival_us), gate)


def test_a_crossing_cut_by_the_gate_is_no_crossing() -> None:
    scan = scan_of(0.7 * burst(TIME_US, 2.03))
    for timing in ("level = 0.3", "peak_fraction = 0.5"):
        procedure = wall_procedure('{ method = "first_crossing", ' + timing + " }")
        found = Flag(int(time_echoes(scan, procedure).flags[0]))
        assert Flag.NO_ECHO | Flag.AT_GATE_EDGE in found


TRAIN = """
probe = {{ arrangement = "immersion", frequency_mhz = 5.0, delay_us = {delay} }}
interval = {{ mode = "echo_to_echo", gates = ["wall", "wall_2"] }}
gate = [
  {{ name = "surface", start_us = 3.5, stop_us = 4.4, threshold = 0.2 }},
  {{ name = "wall", follows = "surface", start_us = 1.0, stop_us = 4.0, threshold = 0.2 }},
  {{ name = "wall_2", follows = "wall", start_us = 1.0, stop_us = 4.0, threshold = 0.2 }},
]
"""


def train_flags(arrivals: list[float], delay: float = 0.4) -> Flag:
    scan = scan_of(0.6 * burst(TIME_US, np.array(arrivals)).sum(axis=0))
    return Flag(int(time_echoes(scan, Procedure.from_text(TRAIN.format(delay=delay))).flags[0]))


def test_uneven_echoes_against_the_surface() -> None:
    assert train_flags([4.0, 5.4, 6.8]) == Flag(0)
    assert train_flags([4.0, 5.4, 8.6]) == Flag.UNEVEN_SPACING


def test_surface_repeat() -> None:
    """The interface echo at 4.0 µs, 0.4 µs of it in the probe, repeats at 7.6 µs."""
    assert Flag.INTERFACE_MULTIPLE in train_flags([4.0, 5.8, 7.6])
    assert Flag.INTERFACE_MULTIPLE not in train_flags([4.0, 5.2, 6.4])


def test_range_flags_and_not_positive() -> None:
    procedure = wall_procedure(extra="range = { min_mm = 8.0, max_mm = 20.0 }")
    arrivals = np.array([2.5, 3.0, 4.0, 7.0, 8.5])
    scan = scan_of(0.7 * burst(TIME_US, arrivals))
    known = np.array([np.nan, 7.0, np.nan, 19.0, np.nan])
    calibration = calibrate(scan, procedure, known, u_known_mm=0.01)
    readings = measure(scan, procedure, calibration)
    expected = [
        Flag.OUTSIDE_CALIBRATED_RANGE | Flag.OUTSIDE_MEASURING_RANGE,
        Flag.OUTSIDE_MEASURING_RANGE,
        Flag(0),
        Flag(0),
        Flag.OUTSIDE_CALIBRATED_RANGE | Flag.OUTSIDE_MEASURING_RANGE,
    ]
    assert [Flag(int(value)) for value in readings.flags] == expected
    assert np.isfinite(readings.thickness_mm).all()
    early = Procedure.from_text(procedure.text.replace("start_us = 2.0", "start_us = 0.2"))
    # 3 mm per µs: the zero of this calibration lies at 0.67 µs, an echo at 0.5 µs is no wall.
    one = measure(scan_of(0.7 * burst(TIME_US, 0.5)), early, calibration)[0]
    assert Flag.NOT_POSITIVE in one.flags
    assert np.isnan(one.thickness_mm)


def test_a_following_gate_inherits_that_its_echo_is_missing() -> None:
    procedure = Procedure.from_text(TRAIN.format(delay=0.4))
    readings = time_echoes(
        scan_of(0.6 * burst(TIME_US, np.array([4.2, 6.4])).sum(axis=0)), procedure
    )
    assert Flag.NO_ECHO in Flag(int(readings.flags[0]))
    assert np.isnan(readings.columns["interval_us"][0])


def test_every_flag_has_a_meaning_and_a_severity() -> None:
    assert set(MEANINGS) == set(Flag)
    for flag in Flag:
        assert severity(flag) == ("fatal" if flag & FATAL else "note" if flag & NOTES else "care")
        assert reasons(flag) == [MEANINGS[flag]]
        assert names(flag) == flag.name.lower()
