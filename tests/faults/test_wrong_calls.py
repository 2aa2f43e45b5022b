"""Wrong calls from Python are refused in words; a bad waveform never stops a batch."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from builders import SAMPLE_RATE_MHZ, burst, scan_of, wall_procedure

import ascan
from ascan import AscanError, Flag, Procedure, Scan
from ascan.calibration.conditions import Conditions
from ascan.checks.weak_echo import RELATIVE_AMPLITUDE
from ascan.examples import PROCEDURE, plate_example, plate_scan

STEPS = [5.0, 10.0, 20.0]


@pytest.mark.parametrize(
    ("known", "u", "message"),
    [
        ([5.0, 10.0], None, "one per row"),
        ([np.nan] * 3, None, "names no step"),
        ([5.0, -10.0, 20.0], None, "positive thickness"),
        ([5.0, np.inf, 20.0], None, "positive thickness"),
        (STEPS, 0.0, "no block is exact"),
        (STEPS, [0.1, 0.1], "one value or"),
        ([20.0, 10.0, 5.0], None, "wrong order"),
    ],
)
def test_wrong_steps(known: list[float], u: float | list[float] | None, message: str) -> None:
    with pytest.raises(AscanError, match=message):
        ascan.calibrate(
            plate_scan(np.array(STEPS)), Procedure.from_text(PROCEDURE), known, u_known_mm=u
        )


def test_what_is_no_scan_procedure_or_calibration() -> None:
    scan, procedure, calibration = plate_example(8.0)
    codes = scan.rows.read_block(0, 1)
    with pytest.raises(AscanError, match=r"of type ndarray.*Scan\.from_array"):
        ascan.measure(codes, procedure, calibration)  # type: ignore[arg-type]
    with pytest.raises(AscanError, match=r"of type str.*open_scan"):
        ascan.calibrate("block.npz", procedure, STEPS)  # type: ignore[arg-type]
    with pytest.raises(AscanError, match="procedure: is of type str; load"):
        ascan.calibrate(scan, "wall.toml", [8.0])  # type: ignore[arg-type]
    with pytest.raises(AscanError, match="calibration: is of type str; load"):
        ascan.measure(scan, procedure, "c.h5")  # type: ignore[arg-type]
    with pytest.raises(AscanError, match="have no row 1; allowed: 0 to 0"):
        ascan.measure(scan, procedure, calibration).reasons(1)


def test_readings_of_one_step_may_be_labelled_a_little_apart() -> None:
    """Nanometres are no steps of their own; a micrometre is."""
    procedure = Procedure.from_text(PROCEDURE)
    known = np.repeat(STEPS, 3) + np.tile([0.0, 4e-7, 8e-7], 3)
    fit = ascan.calibrate(plate_scan(known), procedure, known, u_known_mm=0.01)
    assert fit.steps.readings.tolist() == [3, 3, 3]
    assert fit.learned[RELATIVE_AMPLITUDE]["wall"].size == 3
    assert ascan.measure(plate_scan(known), procedure, fit).thickness_mm == pytest.approx(
        known, abs=0.002
    )


def test_samples_far_beyond_their_full_scale_are_refused() -> None:
    """Codes stored as floating point, whose full scale nobody stated."""
    scan, procedure, calibration = plate_example(8.0)
    codes = 2048.0 * scan.rows.read_block(0, 1).astype(np.float64)
    with pytest.raises(AscanError, match=r"full_scale: is 1, waveforms reach"):
        ascan.measure(scan_of(codes), procedure, calibration)


def test_readings_after_the_end_of_a_calibration_s_validity_say_so() -> None:
    """By the scan's own times: a record read again years later gives the same answer."""
    conditions = Conditions(valid_days=1.0)
    procedure = Procedure.from_text(PROCEDURE)
    fit = ascan.calibrate(
        plate_scan(np.array(STEPS)), procedure, STEPS, u_known_mm=0.01, conditions=conditions
    )
    assert fit.valid_until is not None
    end_s = fit.valid_until.timestamp()
    scan = plate_scan(np.array([8.0, 8.0]))
    timed = dataclasses.replace(scan, columns={"time_s": np.array([end_s - 60.0, end_s + 60.0])})
    doubt = int(Flag.CALIBRATION_IN_DOUBT)
    assert (ascan.measure(timed, procedure, fit).flags & doubt).tolist() == [0, doubt]
    assert (ascan.measure(scan, procedure, fit).flags & doubt).tolist() == [0, 0]


def test_the_block_has_one_temperature() -> None:
    text = PROCEDURE + (
        "\n[temperature]\nblock_c = 40.0\ncomponent_c = 40.0\nu_block_c = 1.0\n"
        "u_component_c = 1.0\n"
    )
    fit = ascan.calibrate(
        plate_scan(np.array(STEPS)),
        Procedure.from_text(PROCEDURE),
        STEPS,
        conditions=Conditions(block_temperature_c=21.0),
    )
    with pytest.raises(AscanError, match="block_c is 40 °C, the calibration was made at 21 °C"):
        ascan.measure(plate_scan(np.array([8.0])), Procedure.from_text(text), fit)


def test_temperature_that_is_not_stated_is_named() -> None:
    allowed, unknown = Procedure.from_text(PROCEDURE).allowances()
    (one,) = (each for each in allowed if each.key == "temperature")
    assert "not stated" in one.why
    assert not unknown


def test_a_probe_without_a_surface_echo_takes_no_interval_from_one() -> None:
    text = PROCEDURE.replace('"time_zero_to_echo"', '"interface_to_echo"')
    text = text.replace('gates = ["wall"]', 'gates = ["face", "wall"]')
    text += '\n[[gate]]\nname = "face"\nstart_us = 0.1\nstop_us = 0.5\nthreshold = 0.2\n'
    with pytest.raises(AscanError, match="hears no interface echo"):
        Procedure.from_text(text)


def test_a_calibration_refuses_another_timing_and_names_it() -> None:
    scan, procedure, calibration = plate_example(8.0)
    changes = {
        "low_mhz = 2.0": ("low_mhz = 1.0", "filter.low_mhz was 2.0, is 1.0"),
        'name = "example"': ('name = "another"', 'probe.name was "example", is "another"'),
        "threshold = 0.2": (
            'threshold = 0.2\nhalf_cycles = "positive"',
            'echoes.echo_1.half_cycles was "any", is "positive"',
        ),
    }
    for old, (new, told) in changes.items():
        other = Procedure.from_text(PROCEDURE.replace(old, new))
        with pytest.raises(AscanError, match="another timing") as caught:
            ascan.measure(scan, other, calibration)
        assert told in str(caught.value)
    faster = Scan.from_array(scan.rows.read_block(0, 1), sample_rate_mhz=50.0)
    with pytest.raises(AscanError, match=r"sample_rate_mhz was 100\.0, is 50\.0"):
        ascan.measure(faster, procedure, calibration)


def test_a_comment_or_a_gate_window_does_not_void_a_calibration() -> None:
    scan, procedure, calibration = plate_example(8.0)
    text = "# a comment\n" + procedure.text.replace("stop_mm = 25.0", "stop_mm = 15.0")
    other = Procedure.from_text(text)
    reading = ascan.measure(scan, other, calibration)[0]
    assert reading.thickness_mm == ascan.measure(scan, procedure, calibration)[0].thickness_mm


def test_rectified_records_refuse_what_needs_rf() -> None:
    time_us = np.arange(1100) / SAMPLE_RATE_MHZ
    scan = scan_of(np.abs(0.7 * burst(time_us, 5.0)), rectified=True)
    assert ascan.time_echoes(scan, wall_procedure()).flags[0] == 0
    band_pass = 'filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }'
    with pytest.raises(AscanError, match="is a band-pass but the record is rectified"):
        ascan.time_echoes(scan, wall_procedure(extra=band_pass))
    with pytest.raises(AscanError, match="counts negative half-cycles"):
        ascan.time_echoes(scan, wall_procedure(gate='half_cycles = "negative"'))


@pytest.mark.parametrize(
    ("waveform", "start_us"),
    [
        (np.zeros(1000), 0.0),
        (np.zeros((1, 1000), np.float32), 0.0),
        (np.zeros(4, np.float32), 0.0),
        (np.zeros(1000, np.float32), np.nan),
    ],
)
def test_measure_one_refuses_another_shape_type_or_start(
    waveform: np.ndarray, start_us: float
) -> None:
    _, procedure, calibration = plate_example(8.0)
    engine = ascan.prepare(procedure, calibration, dtype="float32", sample_rate_mhz=100.0)
    with pytest.raises(AscanError):
        engine.measure_one(waveform, start_us)


def test_bad_waveforms_never_stop_a_batch_nor_touch_their_neighbours() -> None:
    _, procedure, calibration = plate_example(8.0)
    good = plate_scan(np.linspace(5.0, 19.0, 30)).rows.read_block(0, 30)
    alone = ascan.measure(Scan.from_array(good, sample_rate_mhz=100.0), procedure, calibration)
    rng = np.random.default_rng(6)
    bad = good.copy()
    spoilt = {3: np.nan, 7: 0.0, 11: np.inf, 19: 1e30}
    for row, value in spoilt.items():
        bad[row] = value
    bad[23] = rng.normal(0.0, 1.0, good.shape[1])
    readings = ascan.measure(Scan.from_array(bad, sample_rate_mhz=100.0), procedure, calibration)
    for row in range(30):
        if row in spoilt or row == 23:
            assert readings.flags[row] != 0, row
        else:
            assert readings.thickness_mm[row] == alone.thickness_mm[row]
    assert Flag.NOT_FINITE in readings[3].flags
    assert readings.reasons(7) == readings[7].reasons
    assert set(readings.refused) >= {3, 7, 11}


def test_an_unknown_gate_is_named() -> None:
    scan, procedure, calibration = plate_example(8.0)
    with pytest.raises(AscanError, match="hold no gate 'well'; allowed: wall"):
        ascan.measure(scan, procedure, calibration).picks("well")
