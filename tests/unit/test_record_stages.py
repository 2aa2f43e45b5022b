"""Whole-record stages: units of what a calibration learned, and delays that are followed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from ascan.kernels.arrays import FloatArray
from ascan.steps.models import LayeredModel, Spreading
from ascan.waveform.recording import Recording
from ascan.whole_record.bank import make_bank
from ascan.whole_record.columns import lay_waves
from ascan.whole_record.dual_fit import Aim, Laid, fit_delayed, fit_wall
from ascan.whole_record.dual_records import room_of, work_in
from ascan.whole_record.operator import Operator
from ascan.whole_record.stage import RecordStage
from ascan.whole_record.window import Window

RATE_MHZ, PERIOD, V, SIZE, BEFORE = 100.0, 20.0, 5.92, 161, 80
WIDTH, ZERO = 1100, 40.0


def pulse_at(place: float, size: int) -> FloatArray:
    after = np.arange(size) - place
    return np.asarray(np.cos(2.0 * np.pi * after / PERIOD) * np.exp(-0.5 * (after / 12.0) ** 2))


@pytest.mark.parametrize("turn_us", [0.0, 0.013, -0.02])
def test_each_turn_delays_the_search_as_the_fit(turn_us: float) -> None:
    """By µs times MHz: samples."""
    pulse = pulse_at(BEFORE, SIZE)
    model = LayeredModel(
        interface_pulse=pulse, wall_pulse=pulse, zero_index=BEFORE,
        wall_levels=0.6 ** np.arange(5), strength=0.3, decay=0.6, interface_scatter=0.0,
        usual_us=10.0, lag_us=0.0,
        spreading=Spreading(
            reflection_delay_us=turn_us, attenuation_db_per_mm=0.0, radius_mm=0.0,
            path_mm2_per_us=0.0, path_velocity_mm_per_us=1.48,
        ),
        thickness_mm=np.array([2.0, 20.0]), u_mm=np.array([0.01, 0.01]),
    )  # fmt: skip
    recording = Recording(
        dtype="int16", sample_rate_mhz=RATE_MHZ, full_scale=32767.0, zero_code=0.0,
        clip_low=-32768.0, clip_high=32767.0, step=1.0, rectified=False, peak_held=False,
        gated_only=False,
    )  # fmt: skip
    stage = RecordStage(model, V, recording, 5.0, 2.0, 20.0)
    assert stage.comb.turn == pytest.approx(turn_us * RATE_MHZ, abs=1e-12)
    assert stage._model().turn == pytest.approx(turn_us * RATE_MHZ, abs=1e-12)


def arrive(wall_mm: float) -> FloatArray:
    """Return when first and second echo come after the pulse left, in samples."""
    return np.array([1.0, 2.0]) * 2.0 * wall_mm / V * RATE_MHZ


@pytest.mark.parametrize("late", [-4.0, 0.5, 3.0])
def test_a_delay_of_the_whole_record_is_followed_to_its_end(late: float) -> None:
    """First and second echo of one wall, late alike by up to 0.2 of a period: the wall is read."""
    wall_mm, noise = 9.7, 1e-3
    bank = make_bank(pulse_at(BEFORE, SIZE), Operator(velocity_mm_per_us=V), RATE_MHZ, (1.0, 30.0))
    times = np.stack([k * 2.0 * bank.depths_mm / V * RATE_MHZ for k in (1, 2, 3)])
    scale = (bank.least_mm, bank.step)
    laid = Laid(np.stack([bank.shapes] * 2), times, scale, BEFORE, 40, PERIOD)
    samples = np.random.default_rng(2).normal(0.0, noise, WIDTH)
    for height, place in zip((1.0, 0.6), ZERO + late + arrive(wall_mm), strict=True):
        samples += height * pulse_at(place, WIDTH)
    window = Window(samples.astype(np.float32), np.ones(WIDTH, np.float32))
    work: Any = work_in(room_of(2, SIZE), WIDTH)
    lay_waves(window.weight, work.dense)
    aim = Aim(ZERO, 2, np.inf)
    wall = fit_wall(window, wall_mm, aim, laid, work)
    freed = fit_delayed(window, wall, aim, laid, work)
    assert freed.mm == pytest.approx(wall_mm, abs=5e-4)
    assert np.sqrt(freed.left) == pytest.approx(noise, rel=0.1)
