"""Several channels in one scan: each its own calibration, a missing one an error."""

from __future__ import annotations

import numpy as np
import pytest
from builders import SAMPLE_RATE_MHZ, burst, wall_procedure

from ascan import Scan, calibrate, load_readings, measure, measure_to_file
from ascan.base.errors import AscanError
from ascan.kernels.arrays import FloatArray

# Channel 1's cable delays it by 0.4 µs.
DELAY_US = {0: 0.0, 1: 0.4}


def plates(thickness: FloatArray, channel: FloatArray) -> Scan:
    time_us = np.arange(1100) / SAMPLE_RATE_MHZ
    arrival = 2.0 * thickness / 5.92 + np.array([DELAY_US[int(c)] for c in channel])
    return Scan.from_array(
        burst(time_us, arrival),
        sample_rate_mhz=SAMPLE_RATE_MHZ,
        full_scale=1.0,
        columns={"channel": channel},
    )


HOW = wall_procedure('"peak"', "")
STEPS = np.array([8.0, 15.0, 22.0])
CALIBRATIONS = {
    channel: calibrate(plates(STEPS, np.full(3, channel)), HOW, STEPS, u_known_mm=0.001)
    for channel in (0, 1)
}
TRUTH = np.linspace(9.0, 21.0, 200)
MIXED = plates(TRUTH, np.arange(200) % 2)


def test_each_channel_reads_by_its_own_calibration(tmp_path) -> None:  # type: ignore[no-untyped-def]
    readings = measure(MIXED, HOW, CALIBRATIONS)
    assert np.abs(readings.thickness_mm - TRUTH).max() < 1e-3
    measure_to_file(MIXED, HOW, CALIBRATIONS, tmp_path / "r.h5")
    again = load_readings(tmp_path / "r.h5")
    assert (again.thickness_mm == readings.thickness_mm).all()


@pytest.mark.parametrize(
    ("calibrations", "message"),
    [
        (CALIBRATIONS[0], "holds channels 0, 1 but one calibration is given"),
        ({0: CALIBRATIONS[0]}, "holds channel 1, which has no calibration"),
        ({0: CALIBRATIONS[1], 1: CALIBRATIONS[0]}, "was made on channel 1"),
    ],
)
def test_missing_or_mixed_up(calibrations, message: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(AscanError, match=message):
        measure(MIXED, HOW, calibrations)


def test_steps_of_two_channels_are_no_calibration() -> None:
    with pytest.raises(AscanError, match="step readings are of channels 0, 1"):
        calibrate(plates(STEPS, np.array([0, 1, 0])), HOW, STEPS)


def test_no_channel_column() -> None:
    plain = Scan.from_array(MIXED.rows.read_block(0, 4), sample_rate_mhz=SAMPLE_RATE_MHZ)
    with pytest.raises(AscanError, match="has no column 'channel'"):
        measure(plain, HOW, CALIBRATIONS)
