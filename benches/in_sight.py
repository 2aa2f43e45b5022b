"""How far a wall's echo stands above the noise of its record, known from the scenario alone."""

from __future__ import annotations

import dataclasses

import numpy as np
from ascan_synthetic.synthesis import Synthesis

from ascan import Procedure
from ascan.kernels.arrays import AnyArray, FloatArray

STEEL_MM_PER_US = 5.92
# So little gain that no echo clips; the codes of 16 bits still resolve −100 dB.
LESS_GAIN = 0.05
WINDOW_US = {"dual": (-0.3, 0.7)}
USUAL_WINDOW_US = (-0.35, 0.35)


def quiet_signals(made: Synthesis, picked: AnyArray) -> FloatArray:
    """Return the signals alone, fractions of full scale, shape (n, samples): no noise, no clipping.

    The same random numbers fall as in the scenario: places, paths and coupling stay.
    """
    scenario = made.scenario
    table = scenario.receiver
    still = dataclasses.replace(
        table, gain=LESS_GAIN * table.gain, noise=0.0, grain=1e-9 if table.grain else 0.0,
        spikes=0.0, offset=0.0, wander=0.0, burst=0.0, soft_clip=0.0, inverted=0.0,
        previous_us=0.0, dead=0.0, stuck=0.0,
    )  # fmt: skip
    record = dataclasses.replace(scenario.record, bits=16, zero_code=0)
    quiet = Synthesis(dataclasses.replace(scenario, receiver=still, record=record))
    return np.asarray(quiet.waveforms()[picked] / 2.0**15 / LESS_GAIN)


def noise_rms(made: Synthesis, depth_mm: FloatArray) -> FloatArray:
    """Return the rms of noise, grain at that depth and quantisation, fractions of full scale."""
    table, bits = made.scenario.receiver, made.scenario.record.bits
    fading = np.exp(-2.0 * depth_mm / STEEL_MM_PER_US / table.grain_decay_us)
    steps = 2.0 ** (1 - bits) / np.sqrt(12.0)
    return np.asarray(np.sqrt(table.noise**2 + (table.gain * table.grain * fading) ** 2 + steps**2))


def echo_us(
    made: Synthesis, picked: AnyArray, procedure: Procedure, quiet: FloatArray, number: int = 1
) -> FloatArray:
    """Return when the wall's echo of a number arrives, shape (n,), µs.

    Dual probes: the first, by the least time between the elements' middles. Behind a path the
    interface echo is the largest sample of the quiet record.
    """
    depth = np.asarray(made.truth_columns()["true_mean_mm"])[picked]
    delay, record = made.trigger_us[picked], made.scenario.record
    geometry = procedure.probe.geometry()
    if geometry is not None:
        return np.asarray(delay + geometry.middle_time_us(depth, STEEL_MM_PER_US))
    begin = delay
    if made.scenario.probe.arrangement != "contact":
        begin = record.start_us + np.abs(quiet).argmax(axis=1) / record.sample_rate_mhz
    return np.asarray(begin + number * 2.0 * depth / STEEL_MM_PER_US)


def echo_peak(made: Synthesis, picked: AnyArray, procedure: Procedure) -> FloatArray:
    """Return the height of the last echo that is timed, fractions of full scale, shape (n,)."""
    quiet, record = quiet_signals(made, picked), made.scenario.record
    low, high = WINDOW_US.get(made.scenario.probe.arrangement, USUAL_WINDOW_US)
    time_us = record.start_us + np.arange(record.samples) / record.sample_rate_mhz
    number = 2 if procedure.interval.mode == "echo_to_echo" else 1
    after = time_us - echo_us(made, picked, procedure, quiet, number)[:, None]
    return np.asarray(np.where((after > low) & (after < high), np.abs(quiet), 0.0).max(axis=1))


def echo_db(made: Synthesis, picked: AnyArray, procedure: Procedure) -> FloatArray:
    """Return by how much that echo stands above the rms of noise, shape (n,), dB."""
    depth = np.asarray(made.truth_columns()["true_mean_mm"])[picked]
    over = echo_peak(made, picked, procedure) / noise_rms(made, depth)
    return np.asarray(20.0 * np.log10(np.maximum(over, 1e-9)))
