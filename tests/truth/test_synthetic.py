"""Synthetic plates of known thickness through the whole engine: bias, spread, coverage."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from ascan_synthetic.synthesis import Synthesis
from ascan_synthetic.tables import ProbeTable, ReceiverTable, RecordTable, Scenario, WallTable

from ascan import Procedure, Readings, Scan, calibrate, measure
from ascan.base.flags import Flag

STEPS_MM = np.array([4.0, 7.0, 11.0, 16.0])
PROBE = 'probe = {{ arrangement = "{arrangement}", frequency_mhz = 5.0, delay_us = 0.35 }}\n'
FILTER = 'filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }\n'
SURFACE = """
[[gate]]
name = "surface"
start_us = {start}
stop_us = {stop}
threshold = 0.25
half_cycles = "positive"
"""
WALL = """
[[gate]]
name = "{name}"
{follows}
start_mm = {start}
stop_mm = 18.0
threshold = 0.04
half_cycles = "{half_cycles}"
echo = "{echo}"
timing = {timing}
"""
SETUPS = {
    "contact": Scenario(
        record=RecordTable(samples=1500), receiver=ReceiverTable(gain=2.0, noise=0.002)
    ),
    "delay_line": Scenario(
        record=RecordTable(samples=3600),
        probe=ProbeTable(arrangement="delay_line", path_mm=24.0),
        receiver=ReceiverTable(noise=0.001),
    ),
    "immersion": Scenario(
        record=RecordTable(samples=3000, start_us=20.0),
        probe=ProbeTable(arrangement="immersion", path_mm=20.0, path_wander_mm=3.0),
        receiver=ReceiverTable(noise=0.0005),
    ),
}


def quiet(noise: float, gain: float = 2.0, bits: int = 12) -> Scenario:
    """Return the contact setup with another receiver."""
    return Scenario(
        record=RecordTable(samples=1500, bits=bits), receiver=ReceiverTable(gain=gain, noise=noise)
    )


def procedure(arrangement: str, mode: str, timing: str) -> Procedure:
    text = PROBE.format(arrangement=arrangement) + FILTER
    names = {
        "time_zero_to_echo": ["wall"],
        "interface_to_echo": ["surface", "wall"],
        "echo_to_echo": ["wall", "wall_2"],
    }[mode]
    gates = ", ".join(f'"{name}"' for name in names)
    text += f'interval = {{ mode = "{mode}", gates = [{gates}] }}\n'
    if arrangement == "contact":
        first = {"follows": "", "half_cycles": "negative"}
    else:
        window = (17.0, 20.0) if arrangement == "delay_line" else (22.0, 33.0)
        text += SURFACE.format(start=window[0], stop=window[1])
        first = {"follows": 'follows = "surface"', "half_cycles": "opposite"}
    options = {"timing": timing, "echo": "first"}
    text += WALL.format(name="wall", start=2.5, **first, **options)
    if mode == "echo_to_echo":
        following = {"follows": 'follows = "wall"', "half_cycles": "same"}
        text += WALL.format(name="wall_2", start=2.5, **following, **options)
    return Procedure.from_text(text)


def plates(setup: Scenario, thickness_mm: np.ndarray, seed: int, readings: int = 1) -> Scan:
    """Return a scan of flat plates, ``readings`` waveforms on each, truth in its columns."""
    wall = WallTable(steps_mm=tuple(thickness_mm.tolist()), readings=readings)
    made = Synthesis(dataclasses.replace(setup, wall=wall, seed=seed))
    return Scan.from_array(
        made.waveforms(),
        sample_rate_mhz=setup.record.sample_rate_mhz,
        start_time_us=setup.record.start_us,
        full_scale=made.full_scale,
        columns={"true_mm": made.footprints.truth.axis_mm},
    )


def run(
    arrangement: str, mode: str, timing: str = '"peak"', seed: int = 1
) -> tuple[Readings, np.ndarray]:
    how = procedure(arrangement, mode, timing)
    setup = SETUPS[arrangement]
    block = plates(setup, STEPS_MM, seed, readings=20)
    calibration = calibrate(block, how, block.columns["true_mm"], u_known_mm=1e-3)
    assert calibration.health["residuals_explained"], calibration.lines()
    truth = np.random.default_rng(seed).uniform(4.2, 15.8, 400)
    return measure(plates(setup, truth, seed + 100), how, calibration), truth


@pytest.mark.parametrize(
    ("arrangement", "mode"),
    [
        ("contact", "time_zero_to_echo"),
        ("contact", "echo_to_echo"),
        ("delay_line", "interface_to_echo"),
        ("delay_line", "time_zero_to_echo"),
        ("delay_line", "echo_to_echo"),
        ("immersion", "interface_to_echo"),
        ("immersion", "echo_to_echo"),
    ],
)
def test_every_arrangement_and_mode(arrangement: str, mode: str) -> None:
    """Readings without a flag are right: mean within 3 µm, none off by more than 6 u or 20 µm.

    The plates are flat and the pulse is the same everywhere, so what is left is noise, the
    quantisation of weak echoes and the four-step fit.
    """
    readings, truth = run(arrangement, mode)
    clean = readings.flags == 0
    assert clean.mean() > 0.95
    error = readings.thickness_mm[clean] - truth[clean]
    assert abs(error.mean()) < 3e-3
    assert np.abs(error).max() < 20e-3
    assert (np.abs(error) < 6.0 * readings.u_on_block_mm[clean]).all()


@pytest.mark.parametrize(
    "timing",
    ['"peak"', '{ method = "first_crossing", peak_fraction = 0.5 }'],
)
def test_random_uncertainty_is_true(timing: str) -> None:
    """The spread of 4000 repeated readings is the stated random u, within 15 %.

    The stated u rests on a noise estimate from 64 samples of each record, which scatters by some
    15 % itself; its mean square does not.
    """
    setup = quiet(0.01)
    how = procedure("contact", "time_zero_to_echo", timing)
    block = plates(setup, STEPS_MM, 3, readings=20)
    calibration = calibrate(block, how, block.columns["true_mm"], u_known_mm=1e-3)
    repeated = plates(setup, np.full(4000, 9.0), 4)
    readings = measure(repeated, how, calibration)
    assert (readings.flags == 0).mean() > 0.99
    good = readings.flags == 0
    stated = np.sqrt(np.mean(readings.columns["u_random_mm"][good] ** 2))
    assert readings.thickness_mm[good].std() == pytest.approx(stated, rel=0.15)


def test_moving_water_path_does_not_move_the_reading() -> None:
    setup = SETUPS["immersion"]
    how = procedure("immersion", "interface_to_echo", '"peak"')
    block = plates(setup, STEPS_MM, 5, readings=10)
    calibration = calibrate(block, how, block.columns["true_mm"], u_known_mm=1e-3)
    scan = plates(setup, np.full(300, 9.0), 6)
    readings = measure(scan, how, calibration)
    clean = readings.flags == 0
    surface = readings.picks("surface")["time_us"][clean]
    assert np.ptp(surface) > 5.0  # the path did move, by some 4 mm of water
    correlation = np.corrcoef(surface, readings.thickness_mm[clean])[0, 1]
    assert abs(correlation) < 0.2


def test_clipped_echoes_are_flagged_and_unclipped_ones_are_not() -> None:
    how = procedure("contact", "time_zero_to_echo", '"peak"')
    truth = np.linspace(5.0, 15.0, 50)
    loud = quiet(0.002, gain=12.0)
    for setup, expected in ((loud, True), (SETUPS["contact"], False)):
        block = plates(SETUPS["contact"], STEPS_MM, 7, readings=5)
        calibration = calibrate(block, how, block.columns["true_mm"], u_known_mm=1e-3)
        readings = measure(plates(setup, truth, 8), how, calibration)
        flagged = (readings.flags & np.uint32(Flag.SATURATED)) != 0
        assert (flagged == expected).all()


def test_eight_bits_read_like_twelve() -> None:
    """An echo at half of full scale with 8 bits: within 10 µm of the truth, u included."""
    setup = quiet(0.002, bits=8)
    how = procedure("contact", "time_zero_to_echo", '"peak"')
    block = plates(setup, STEPS_MM, 9, readings=10)
    calibration = calibrate(block, how, block.columns["true_mm"], u_known_mm=1e-3)
    truth = np.random.default_rng(9).uniform(4.2, 15.8, 300)
    readings = measure(plates(setup, truth, 10), how, calibration)
    good = readings.flags == 0
    assert good.mean() > 0.9
    assert np.abs(readings.thickness_mm[good] - truth[good]).max() < 10e-3
