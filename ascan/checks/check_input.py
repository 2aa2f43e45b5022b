"""What a check gets to see: it grows from stage to stage."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from ascan.checks.alternatives import Alternatives, Cause
from ascan.finding.echoes import GateEchoes
from ascan.finding.seen import GateSeen
from ascan.kernels.arrays import AnyArray, Columns, FloatArray, IntArray
from ascan.path.modes import Layout
from ascan.path.probe import Probe
from ascan.steps.learned_value import LearnedValue, LearnedValues
from ascan.steps.models import FirstArrivals
from ascan.steps.table import StepTable
from ascan.waveform.conditioning import condition_rows
from ascan.waveform.recording import Recording


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class About:
    """What checks are bound to: procedure, recording, and what a calibration holds.

    Attributes
    ----------
    layout : Layout
    recording : Recording
    probe : Probe
    limits : mapping of str to float
        Of the procedure, by key.
    measuring_mm : tuple of float
        The procedure's range.
    taps : ndarray
        Of its filter, in the working type.
    period : float
        Of the probe's frequency, in samples.
    nominal_mm_per_us : float
        Velocity of the material, by the procedure.
    time_zero_us : float
        When the sound left the probe: calibrated, else nominal.
    velocity_mm_per_us : float
        Calibrated; NaN before.
    steps : StepTable, optional
    learned : mapping
    arrivals : FirstArrivals, optional
        Of a dual probe.
    between_arrivals : ndarray, shape (steps - 1,)
        What first arrivals between two steps may be left by those of the steps.
    coating_ratio : float
        Velocity of a coating that two intervals find, over the wall's; 0 where none is stated.
    least_strength : float
        Below it an echo is weak by the scan's own echoes (`ascan.checks.weak_echo`); NaN before.
    scan_delay_us : float
        By how much echoes of a dual probe come late in the middle of the scan; NaN before.
    scan_upright : bool
        Its records are known not to be turned over, all of them as a swapped wire would.
    """

    layout: Layout
    recording: Recording
    probe: Probe
    limits: Mapping[str, float]
    measuring_mm: tuple[float, float]
    taps: AnyArray
    period: float
    nominal_mm_per_us: float
    time_zero_us: float
    velocity_mm_per_us: float = np.nan
    steps: StepTable | None = None
    learned: LearnedValues = field(default_factory=dict)
    arrivals: FirstArrivals | None = None
    between_arrivals: FloatArray = field(default_factory=lambda: np.zeros(0))
    coating_ratio: float = 0.0
    least_strength: float = np.nan
    scan_delay_us: float = np.nan
    scan_upright: bool = False

    @property
    def reach(self) -> int:
        """One and a half periods, in samples."""
        return int(np.ceil(self.layout.reach_us * self.recording.sample_rate_mhz))


class Along(NamedTuple):
    """What a scan's columns say of each of n waveforms, shape (n,); None where it has none."""

    component_c: FloatArray | None = None
    gain_db: FloatArray | None = None

    def chosen(self, rows: IntArray) -> Along:
        """Return it of some rows."""
        return Along(*(None if each is None else each[rows] for each in self))


NOTHING_ALONG = Along()


@dataclass(eq=False, slots=True, kw_only=True)
class CheckInput:
    """A block of n rows as far as it has been read; later stages add to it.

    Attributes
    ----------
    about : About
    block : ndarray, shape (n, samples), stored type
        Offsets taken off, spikes mended.
    start_time_us : ndarray, shape (n,)
        Time of sample 0.
    spiked : ndarray, shape (n, samples)
        The block before spikes were mended; the block itself where none was.
    gate : GateSeen, optional
        From GATE on, of the gate that is judged.
    echoes : dict of str to GateEchoes
        From ECHOES on, by gate.
    interval_us : ndarray, shape (n,)
        From INTERVAL on.
    alternatives : Alternatives, optional
        From INTERVAL on: what else the echoes may be; checks weigh it.
    fit : dict of ndarray, each of shape (n,)
        From FIT on: what a fit of whole records says of itself.
    columns : dict of ndarray, each of shape (n,)
        From READING on: thickness, and what the checks above added.
    second : dict of ndarray, optional
        At READING: columns of the procedure's second interval.
    others : dict of dict of ndarray
        At READING: columns of other intervals that the reader gave, by name.
    gain_db : ndarray, shape (n,), optional
        At READING: the receiver's gain, where the scan says it.
    before : ndarray, shape (samples,), optional
        At SCAN: the record ahead of the block.
    """

    about: About
    block: AnyArray
    start_time_us: FloatArray
    spiked: AnyArray
    gate: GateSeen | None = None
    echoes: dict[str, GateEchoes] = field(default_factory=dict)
    interval_us: FloatArray = field(default_factory=lambda: np.zeros(0))
    alternatives: Alternatives | None = None
    fit: Columns = field(default_factory=dict)
    columns: Columns = field(default_factory=dict)
    second: Columns | None = None
    others: dict[str, Columns] = field(default_factory=dict)
    gain_db: FloatArray | None = None
    before: AnyArray | None = None

    @property
    def rows(self) -> int:
        """Rows of the block."""
        return len(self.block)

    @property
    def layout(self) -> Layout:
        """What the procedure's tables settle together."""
        return self.about.layout

    @property
    def rate(self) -> float:
        """Samples in a µs."""
        return self.about.recording.sample_rate_mhz

    @property
    def at(self) -> GateSeen:
        """The gate that is judged, at GATE."""
        assert self.gate is not None
        return self.gate

    @property
    def thickness_mm(self) -> FloatArray:
        """Thickness, at READING; NaN where a fatal flag stands."""
        return self.columns["thickness_mm"]

    def weigh(self, cause: Cause, odds: FloatArray, interval_us: FloatArray) -> None:
        """Weigh what else the echoes may be, at INTERVAL."""
        assert self.alternatives is not None
        self.alternatives.weigh(cause, odds, interval_us)

    def limit(self, key: str) -> float:
        """Return a limit of the procedure."""
        return self.about.limits[key]

    def gates_with(self, value: LearnedValue) -> Mapping[str, FloatArray]:
        """Return what was learned of a value, by gate; empty where nothing was."""
        return self.about.learned.get(value, {})

    def learned(self, value: LearnedValue, gate: str, which: np.ufunc = np.maximum) -> FloatArray:
        """Return the larger of what the two steps round each wall taught, shape (n,).

        Where it was not learned, what stands in for it.
        """
        values = self.gates_with(value).get(gate)
        if values is None or self.about.steps is None:
            return np.full(self.rows, value.absent)
        return self.about.steps.between(values, self.thickness_mm, which)

    def cut(self, origin: IntArray, width: int) -> AnyArray:
        """Return conditioned samples from each row's ``origin`` on, shape (n, width), in codes.

        What lies outside the record is 0.
        """
        taps = self.about.taps
        out = np.empty((self.rows, width), taps.dtype)
        condition_rows(self.block, self.about.recording.zero_code, origin, taps, out)
        return out
