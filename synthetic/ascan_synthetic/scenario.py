"""Ready scenarios: waveforms in stored codes, and the truth beside each."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from ascan_synthetic.electronics import IntCodes, add_noise, digitise, transmit_burst
from ascan_synthetic.medium import PMMA, STEEL, WATER
from ascan_synthetic.plates import Arrivals, behind_path, contact
from ascan_synthetic.pulse import FloatArray, GaussianPulse
from ascan_synthetic.walls import corroded_raster

Arrangement = Literal["contact", "delay_line", "immersion"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """Probe, path and receiver.

    Attributes
    ----------
    gain : float
        Full scales per unit of incident pressure.
    noise : float
        Rms of white noise as a fraction of full scale.
    path_mm : float
        Mean length of the delay line or water path.
    path_wander_mm : float
        Half the range over which a water path wanders from waveform to waveform.
    """

    arrangement: Arrangement = "contact"
    pulse: GaussianPulse = field(default_factory=lambda: GaussianPulse(5.0))
    sample_rate_mhz: float = 100.0
    samples: int = 1200
    start_us: float = 0.0
    bits: int = 12
    gain: float = 0.8
    noise: float = 0.004
    delay_us: float = 0.35
    path_mm: float = 12.0
    path_wander_mm: float = 0.0


@dataclass(frozen=True, eq=False, slots=True)
class SyntheticScan:
    """Waveforms with their time base, columns and truth.

    Attributes
    ----------
    waveforms : ndarray, shape (n, samples)
        Stored codes.
    thickness_mm : ndarray, shape (n,)
        Truth: thickness under the axis.
    echo_us : ndarray, shape (n,)
        Truth: arrival of the first back-wall echo's reference instant.
    """

    waveforms: IntCodes
    sample_rate_mhz: float
    start_time_us: FloatArray
    full_scale: float
    thickness_mm: FloatArray
    echo_us: FloatArray
    columns: dict[str, npt.NDArray[Any]] = field(default_factory=dict)


def plates(setup: Setup, thickness_mm: FloatArray, seed: int) -> SyntheticScan:
    """Return one waveform for each plate thickness, shape (n,)."""
    rng = np.random.default_rng(seed)
    count = len(thickness_mm)
    start_us = np.full(count, setup.start_us)
    path_mm = np.full(count, setup.path_mm)
    path_mm += setup.path_wander_mm * rng.uniform(-1.0, 1.0, count)
    echoes, echo_us = _arrivals(setup, thickness_mm, path_mm)
    signal = setup.gain * echoes.sample(setup.pulse, setup.sample_rate_mhz, start_us, setup.samples)
    burst = (setup.sample_rate_mhz, start_us, setup.samples, setup.pulse.centre_mhz, 0.12)
    signal = add_noise(signal + transmit_burst(*burst), setup.noise, rng)
    return SyntheticScan(
        waveforms=digitise(signal, setup.bits),
        sample_rate_mhz=setup.sample_rate_mhz,
        start_time_us=start_us,
        full_scale=float(2 ** (setup.bits - 1)),
        thickness_mm=thickness_mm,
        echo_us=echo_us,
    )


def _arrivals(
    setup: Setup, thickness_mm: FloatArray, path_mm: FloatArray
) -> tuple[Arrivals, FloatArray]:
    wall_us = 2.0 * thickness_mm / STEEL.velocity_mm_per_us
    if setup.arrangement == "contact":
        return contact(STEEL, thickness_mm, PMMA, setup.delay_us), wall_us + setup.delay_us
    path = PMMA if setup.arrangement == "delay_line" else WATER
    echoes = behind_path(STEEL, thickness_mm, path, path_mm, setup.delay_us)
    return echoes, wall_us + setup.delay_us + 2.0 * path_mm / path.velocity_mm_per_us


def step_block(setup: Setup, steps_mm: FloatArray, readings: int, seed: int) -> SyntheticScan:
    """Return ``readings`` waveforms on each step of a block."""
    return plates(setup, np.repeat(steps_mm, readings), seed)


def corroded_plate(setup: Setup, columns: int, rows: int, seed: int) -> SyntheticScan:
    """Return a raster over a 10 mm plate pitted down to 4 mm, 2 mm pitch."""
    rng = np.random.default_rng([seed, 1])
    raster = corroded_raster(columns, rows, 2.0, 10.0, 6.0, 9, rng)
    scan = plates(setup, raster.thickness_mm, seed)
    scan.columns.update({"x_mm": raster.x_mm, "y_mm": raster.y_mm})
    return scan
