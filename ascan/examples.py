"""Examples of embedding, which are run as tests; on a small analytic plate.

The laboratory of signals is `ascan_synthetic`.

Examples
--------
An instrument: bind procedure and calibration once, then one waveform after another, from any
thread; a reading says whether it can be used, why not, and what else it may have been.

>>> import ascan
>>> scan, procedure, calibration = plate_example(thickness_mm=8.0)
>>> waveform = scan.rows.read_block(0, 1)[0]
>>> engine = ascan.prepare(procedure, calibration, dtype="float32", sample_rate_mhz=100.0)
>>> reading = engine.measure_one(waveform)
>>> print(reading, "-", reading.usability)
8.000 mm, u 0.009 mm on the block, 0.040 mm of this component - usable
>>> nothing = engine.measure_one(0.0 * waveform)
>>> nothing.usability, nothing.reasons[0].split(":")[0]
('not usable', 'no echo')

A batch: columns of one value per waveform, each with its flags.

>>> walls_mm = np.array([6.0, 9.0, 12.0])
>>> readings = ascan.measure(plate_scan(walls_mm), procedure, calibration)
>>> readings.thickness_mm.round(2).tolist(), readings.flags.tolist()
([6.0, 9.0, 12.0], [0, 0, 0])

A reader of one's own: anything with ``shape``, ``dtype`` and ``read_block`` is a source of rows, so
that a file of any kind is read a block at a time.

>>> own = ascan.Scan(
...     rows=Echoes(walls_mm), recording=recording_for(np.dtype("float32"), sample_rate_mhz=100.0),
...     start_time_us=np.zeros(3), name="echoes as they are asked for")
>>> ascan.measure(own, procedure, calibration).thickness_mm.round(2).tolist()
[6.0, 9.0, 12.0]

A timing method of one's own: one frozen dataclass (`Parabola`), made known under a name that a
procedure may then use. A calibration is bound to it as to any other.

>>> register("parabola", "ascan.examples:Parabola")
>>> mine = ascan.Procedure.from_text(PROCEDURE + 'timing = "parabola"')
>>> fit = ascan.calibrate(plate_scan(STEPS_MM), mine, STEPS_MM, u_known_mm=0.01)
>>> float(ascan.measure(own, mine, fit).thickness_mm[0].round(2))
6.0
>>> ascan.measure(own, mine, calibration)  # doctest: +ELLIPSIS
Traceback (most recent call last):
ascan.base.errors.CalibrationError: calibration: was made with another timing: ...

Methods side by side, on signals of one's own whose truth is known: the spread of each over the
least that any unbiased one can reach, and over what it states.

>>> clean = plate_scan(np.linspace(6.0, 12.0, 40)).rows.read_block(0, 40).astype(float)
>>> signals = Signals(
...     clean=0.8 * clean, true_us=None, sample_rate_mhz=100.0, start_us=0.0, bits=14)
>>> cells = compare_methods(signals, {"peak": procedure, "parabola": mine}, [30.0])
>>> [cell.method for cell in cells], all(cell.error_over_u < 1.3 for cell in cells)
(['peak', 'parabola'], True)
>>> _ = METHODS.pop("parabola")
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, NamedTuple

import numpy as np

from ascan.calibration.record import Calibration
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray
from ascan.learning.calibrating import calibrate
from ascan.procedure.written import Procedure
from ascan.study.comparing import Signals, compare_methods
from ascan.timing.protocol import METHODS, EchoRows, Traits, register
from ascan.timing.rows import Picks
from ascan.waveform.recording import recording_for
from ascan.waveform.scan import Scan

__all__ = [
    "METHODS",
    "Echoes",
    "Parabola",
    "Signals",
    "compare_methods",
    "plate_example",
    "plate_scan",
    "recording_for",
    "register",
]

VELOCITY_MM_PER_US = 5.920
STEPS_MM = np.array([5.0, 10.0, 20.0])
PROCEDURE = """
title = "Contact probe on steel, pulse to echo"
probe = { name = "example", arrangement = "contact", frequency_mhz = 5.0 }
filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }
interval = { mode = "time_zero_to_echo", gates = ["wall"] }
[[gate]]
name = "wall"
start_mm = 2.0
stop_mm = 25.0
threshold = 0.2
"""


def plate_scan(thickness_mm: FloatArray) -> Scan:
    """Return noise-free echoes of plates: a Gaussian burst of 5 MHz at 2 d / v, and its repeats."""
    time_us = np.arange(1000) / 100.0
    signal = np.zeros((len(thickness_mm), time_us.size), np.float32)
    for number in range(1, 6):
        after = time_us - 2.0 * number * thickness_mm[:, None] / VELOCITY_MM_PER_US
        envelope = 0.8**number * np.exp(-((after / 0.17) ** 2))
        signal += (envelope * np.cos(2.0 * np.pi * 5.0 * after)).astype(np.float32)
    return Scan.from_array(signal, sample_rate_mhz=100.0)


class Example(NamedTuple):
    """A scan, the procedure to measure it by, and a calibration."""

    scan: Scan
    procedure: Procedure
    calibration: Calibration


def plate_example(thickness_mm: float) -> Example:
    """Return a scan of one plate, a procedure, and a calibration on steps of 5, 10 and 20 mm."""
    procedure = Procedure.from_text(PROCEDURE)
    calibration = calibrate(plate_scan(STEPS_MM), procedure, STEPS_MM, u_known_mm=0.01)
    return Example(plate_scan(np.array([thickness_mm])), procedure, calibration)


class Echoes:
    """Rows that are made when they are asked for: an example of a reader of one's own."""

    def __init__(self, thickness_mm: FloatArray) -> None:
        self._thickness_mm = thickness_mm

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, samples."""
        return self._thickness_mm.size, 1000

    @property
    def dtype(self) -> np.dtype[Any]:
        """Stored type of a sample."""
        return np.dtype("float32")

    def read_block(self, start: int, stop: int) -> AnyArray:
        """Return rows start..stop as a C-contiguous array."""
        scan = plate_scan(self._thickness_mm[start:stop])
        return scan.rows.read_block(0, len(scan))


@dataclass(frozen=True, slots=True, kw_only=True)
class Parabola:
    """A parabola through the three samples about each peak: an example of a method of one's own."""

    name: ClassVar[str] = "parabola"
    traits: ClassVar[Traits] = Traits()

    def signature(self) -> dict[str, Any]:
        """Return what a calibration is bound to."""
        return {"method": self.name}

    def refine(self, echoes: EchoRows, flags: FlagArray) -> Picks:
        """Return the top of each parabola; its u is the noise of the slope over the bend."""
        picks = echoes.nothing()
        rows = np.flatnonzero(echoes.peak >= 0)
        top = echoes.peak[rows]
        before, middle, after = (echoes.trace[rows, top + k].astype(float) for k in (-1, 0, 1))
        bend = 2.0 * middle - before - after
        picks.position[rows] = top + 0.5 * (after - before) / bend
        picks.u_position[rows] = echoes.noise_slope[rows] / np.abs(bend)
        return picks
