"""Scans: stored types, zero codes, clipping levels, columns, and what is refused."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from ascan import AscanError, Procedure, Scan, calibrate, prepare
from ascan.examples import PROCEDURE, STEPS_MM, plate_example, plate_scan

SHAPE = (3, 100)


@pytest.mark.parametrize(
    ("dtype", "meaning", "zero", "full", "low", "high"),
    [
        ("int8", {}, 0, 128, -128, 127),
        ("uint8", {}, 128, 128, 0, 255),
        ("uint8", {"rectified": True}, 0, 256, -np.inf, 255),
        ("int16", {}, 0, 32768, -32768, 32767),
        ("int16", {"full_scale": 512}, 0, 512, -512, 511),
        ("uint16", {}, 32768, 32768, 0, 65535),
        ("uint16", {"zero_code": 2048, "full_scale": 2048}, 2048, 2048, 0, 4095),
        ("int32", {}, 0, 2.0**31, -(2.0**31), 2.0**31 - 1),
        ("float32", {}, 0, 1, -np.inf, np.inf),
        ("float64", {"full_scale": 2.5}, 0, 2.5, -2.5, 2.5),
        ("int16", {"clip_high": 500.0, "clip_low": -490.0}, 0, 32768, -490, 500),
    ],
)
def test_meaning_of_codes(
    dtype: str, meaning: dict[str, Any], zero: float, full: float, low: float, high: float
) -> None:
    recording = Scan.from_array(np.zeros(SHAPE, dtype), sample_rate_mhz=50.0, **meaning).recording
    assert (recording.zero_code, recording.full_scale) == (zero, full)
    assert (recording.clip_low, recording.clip_high) == (low, high)


@pytest.mark.parametrize(
    ("array", "options", "message"),
    [
        (np.zeros(SHAPE, np.int64), {}, "stored as int64"),
        (np.zeros(SHAPE, complex), {}, "stored as complex128"),
        (np.zeros((2, 3, 4), np.int16), {}, "3 axes"),
        (np.zeros((0, 100), np.int16), {}, "0 waveforms"),
        (np.zeros((3, 4), np.int16), {}, "4 samples"),
        (np.zeros(SHAPE, np.int16), {"sample_rate_mhz": 0.0}, "is 0 MHz"),
        (np.zeros(SHAPE, np.int16), {"sample_rate_mhz": np.nan}, "is nan MHz"),
        (np.zeros(SHAPE, np.int16), {"full_scale": -1.0}, "full_scale"),
        (np.zeros(SHAPE, np.int16), {"start_time_us": [0.0, 1.0]}, "start_time_us"),
        (np.zeros(SHAPE, np.int16), {"start_time_us": [0.0, np.nan, 1.0]}, "row 1"),
        (np.zeros(SHAPE, np.int16), {"columns": {"x_mm": [1.0]}}, "column 'x_mm'"),
        (np.zeros(SHAPE, np.int16), {"gain": 3}, "unknown argument 'gain'"),
        (np.zeros(SHAPE, np.int16), {"clip_low": 5.0, "clip_high": 5.0}, "clip_low"),
    ],
)
def test_refused(array: np.ndarray, options: dict[str, Any], message: str) -> None:
    with pytest.raises(AscanError, match=message.replace("(", r"\(")):
        Scan.from_array(array, **({"sample_rate_mhz": 50.0} | options))


def test_strided_and_swapped_waveforms_are_read_as_they_are() -> None:
    wide = np.arange(1200, dtype=">i2").reshape(3, 400)
    scan = Scan.from_array(wide[::2, ::2], sample_rate_mhz=50.0)
    block = scan.rows.read_block(0, 2)
    assert block.flags.c_contiguous
    assert block.dtype == np.int16
    assert np.array_equal(block, wide[::2, ::2])


def test_chosen_rows_keep_their_numbers_and_columns() -> None:
    rows = np.arange(40, dtype=np.int16)[:, None].repeat(50, axis=1)
    scan = Scan.from_array(
        rows, sample_rate_mhz=50.0, start_time_us=np.arange(40.0), columns={"x_mm": np.arange(40.0)}
    )
    part = scan.choose([7, 3, 39])
    assert part.columns["scan_row"].tolist() == [7, 3, 39]
    assert part.start_time_us.tolist() == [7.0, 3.0, 39.0]
    assert part.rows.read_block(1, 3)[:, 0].tolist() == [3, 39]
    with pytest.raises(AscanError, match="has no row 40"):
        scan.choose([40])


def test_columns_cannot_be_changed_behind_the_scans_back() -> None:
    x = np.arange(3.0)
    scan = Scan.from_array(np.zeros(SHAPE, np.int8), sample_rate_mhz=50.0, columns={"x_mm": x})
    x[0] = 99.0
    assert scan.columns["x_mm"][0] == 0.0
    with pytest.raises(ValueError, match="read-only"):
        scan.columns["x_mm"][0] = 1.0


def test_a_mask_chooses_the_rows_it_marks() -> None:
    """Truth values are no row numbers: taken as such they would name rows 0 and 1."""
    scan = Scan.from_array(np.arange(50.0).reshape(5, 10), sample_rate_mhz=100.0, full_scale=50.0)
    mask = np.array([False, True, False, False, True])
    chosen = scan.choose(mask)
    assert chosen.columns["scan_row"].tolist() == [1, 4]
    assert np.array_equal(chosen.rows.read_block(0, 2), scan.rows.read_block(0, 5)[mask])
    assert scan.choose(mask.tolist()).columns["scan_row"].tolist() == [1, 4]


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        (np.ones(4, np.bool_), r"a mask of shape \(4,\)"),
        ([1.0, 2.0], "rows are given as float64"),
        ([[1], [2]], "of shape"),
        ([-1], "has no row -1"),
        ([5], "has no row 5; allowed: 0 to 4"),
    ],
)
def test_rows_that_name_none_are_refused(rows: object, told: str) -> None:
    scan = Scan.from_array(np.zeros((5, 10)), sample_rate_mhz=100.0)
    with pytest.raises(AscanError, match=told):
        scan.choose(rows)


def test_masked_values_are_no_values() -> None:
    """What lies under a mask may be anything, and would be measured."""
    wave = np.ma.masked_greater(np.arange(20.0).reshape(2, 10), 17.0)
    with pytest.raises(AscanError, match="holds 2 masked values"):
        Scan.from_array(wave, sample_rate_mhz=100.0)
    with pytest.raises(AscanError, match=r"column 'x_mm': holds 1 masked"):
        Scan.from_array(
            np.zeros((2, 10)),
            sample_rate_mhz=100.0,
            columns={"x_mm": np.ma.array([1.0, 2.0], mask=[False, True])},
        )
    with pytest.raises(AscanError, match="start_time_us: holds 1 masked"):
        Scan.from_array(
            np.zeros((2, 10)),
            sample_rate_mhz=100.0,
            start_time_us=np.ma.array([1.0, 2.0], mask=[True, False]),
        )
    whole = np.ma.array(np.zeros((2, 10)))
    assert len(Scan.from_array(whole, sample_rate_mhz=100.0)) == 2


def test_masked_values_are_told_wherever_values_are_given() -> None:
    steps = np.ma.array(STEPS_MM, mask=[False, True, False])
    with pytest.raises(AscanError, match="known_mm: holds 1 masked"):
        calibrate(plate_scan(STEPS_MM), Procedure.from_text(PROCEDURE), steps, u_known_mm=0.01)
    scan, procedure, calibration = plate_example(8.0)
    engine = prepare(procedure, calibration, dtype="float32", sample_rate_mhz=100.0)
    wave = np.ma.masked_less(scan.rows.read_block(0, 1)[0], -0.5)
    with pytest.raises(AscanError, match="waveform: holds"):
        engine.measure_one(wave)
