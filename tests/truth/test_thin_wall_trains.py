"""Trains of overlapping echoes: the spacing against its truth, its bound, and its stated u."""

from __future__ import annotations

import numpy as np
import pytest
from builders import burst

from ascan import AscanError, Procedure, Readings, Scan, calibrate, measure, time_echoes
from ascan.base.flags import Flag
from ascan.kernels.arrays import FloatArray

TEXT = """
probe = { arrangement = "contact", frequency_mhz = 5.0 }
interval = { mode = "echo_to_echo", gates = ["walls"] }
[[gate]]
name = "walls"
start_us = 1.0
stop_us = 7.5
threshold = 0.03
echo = "train"
"""
DECAY = 10.0 ** (-1.0 / 20.0)


def train(
    thickness_mm: FloatArray, front: float, snr_db: float, seed: int = 1, echoes: int = 40
) -> Scan:
    """Trains of 1 dB loss an echo, and an interface echo one spacing ahead of so many times it."""
    rng = np.random.default_rng(seed)
    time_us = np.arange(850) / 100.0
    apart = 2.0 * thickness_mm / 5.92
    begin = 2.5 + 0.2 * rng.random(thickness_mm.size)
    signal = front * burst(time_us, begin - apart)
    for k in range(echoes):
        signal = signal + DECAY**k * burst(time_us, begin + k * apart)
    noise = 10.0 ** (-snr_db / 20.0) * rng.standard_normal(signal.shape)
    return Scan.from_array(0.2 * (signal + noise), sample_rate_mhz=100.0)


def bound_us(thickness_mm: float, front: float, snr_db: float) -> float:
    """Return the Cramér-Rao bound of the spacing, all other numbers of the train unknown."""
    time_us = np.arange(100, 751) / 100.0

    def model(begin: float, apart: float, height: float, decay: float, face: float) -> FloatArray:
        out = face * burst(time_us, begin - apart)
        for k in range(40):
            out = out + height * decay**k * burst(time_us, begin + k * apart)
        return out

    at = np.array([2.55, 2.0 * thickness_mm / 5.92, 1.0, DECAY, front])
    columns = []
    for k in range(5 if front else 4):
        step = np.zeros(5)
        step[k] = 1e-5
        columns.append((model(*(at + step)) - model(*(at - step))) / 2e-5)
    jacobian = np.array(columns)
    return float(10.0 ** (-snr_db / 20.0) * np.sqrt(np.linalg.inv(jacobian @ jacobian.T)[1, 1]))


def timed(scan: Scan) -> Readings:
    return time_echoes(scan, Procedure.from_text(TEXT))


@pytest.mark.parametrize("front", [0.0, -1.5])
@pytest.mark.parametrize("thickness_mm", [0.5, 1.0, 2.0])
def test_spacing_is_right_near_its_bound_and_never_doubled(
    thickness_mm: float, front: float
) -> None:
    """200 trains a case: the ratio scatters by 5 %, so 1.2 stands for the goal of 1.1."""
    found = timed(train(np.full(200, thickness_mm), front, 24.0)).columns
    error = found["interval_us"] - 2.0 * thickness_mm / 5.92
    assert np.abs(error).max() < 0.01
    assert np.std(error) < 1.2 * bound_us(thickness_mm, front, 24.0)
    assert 0.8 < np.std(error / found["u_interval_us"]) < 1.2


def test_a_probe_off_its_nominal_frequency_moves_it_by_less_than_a_nanosecond() -> None:
    off = Procedure.from_text(TEXT.replace("frequency_mhz = 5.0", "frequency_mhz = 4.7"))
    thickness = np.array([0.8, 1.0, 1.5, 2.0])
    found = time_echoes(train(thickness, 0.0, 60.0), off).columns["interval_us"]
    assert found == pytest.approx(2.0 * thickness / 5.92, abs=1e-3)


def test_noise_alone_and_a_lone_echo_are_no_train() -> None:
    rng = np.random.default_rng(3)
    noise = Scan.from_array(0.02 * rng.standard_normal((20, 850)), sample_rate_mhz=100.0)
    assert np.isnan(timed(noise).columns["interval_us"]).all()
    lone = Scan.from_array(
        0.3 * burst(np.arange(850) / 100.0, 3.0) + 0.003 * rng.standard_normal((5, 850)),
        sample_rate_mhz=100.0,
    )
    # One echo has no spacing: whatever is given is marked.
    assert (timed(lone).flags != 0).all()


def test_a_row_that_is_not_finite_stops_nothing() -> None:
    scan = train(np.array([1.0, 1.0, 1.0]), 0.0, 30.0)
    rows = scan.rows.read_block(0, 3).copy()
    rows[1, 300] = np.nan
    found = timed(Scan.from_array(rows, sample_rate_mhz=100.0))
    assert np.isnan(found.columns["interval_us"]).tolist() == [False, True, False]


def test_calibrated_on_thin_steps() -> None:
    steps = np.repeat([0.8, 1.2, 2.0], 4)
    how = Procedure.from_text(TEXT)
    calibration = calibrate(train(steps, -1.2, 34.0), how, steps, u_known_mm=0.001)
    assert calibration.velocity_mm_per_us == pytest.approx(5.92, abs=0.01)
    truth = np.linspace(0.8, 2.0, 30)
    readings = measure(train(truth, -1.2, 34.0, seed=2), how, calibration)
    good = readings.flags == 0
    assert good.mean() > 0.9
    assert np.abs(readings.thickness_mm - truth)[good].max() < 0.004


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ('mode = "echo_to_echo"/mode = "time_zero_to_echo"', "seeks a train"),
        ('echo = "train"/echo = "largest"', "2 or more different gates"),
        ('echo = "train"/echo = "train"\nmost_spacing_mm = 0.2', "min_spacing_mm below"),
    ],
)
def test_a_train_where_none_can_be_is_refused(change: str, told: str) -> None:
    before, after = change.split("/")
    with pytest.raises(AscanError, match=told):
        Procedure.from_text(TEXT.replace(before, after))


def test_two_spacings_that_cannot_be_told_apart_are_said_to_be() -> None:
    """At 0 dB nothing can be told: every row is refused or flagged."""
    found = timed(train(np.full(30, 1.0), 0.0, 0.0))
    wrong = ~(np.abs(found.columns["interval_us"] - 2.0 / 5.92) < 0.02)
    unflagged = (found.flags & ~np.uint32(Flag.LOW_SNR)) == 0
    assert not (wrong & unflagged & (found.flags == 0)).any()
