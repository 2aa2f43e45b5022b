"""One block of waveforms through all stages: repaired, gated, read, turned into thickness, judged.

A stage is a compiled function over a block of rows that writes its columns and ORs its flags; one
waveform is a block of one. Nothing flows back up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.base.flags import is_fatal
from ascan.calibration.record import Calibration
from ascan.checks.check import Stage
from ascan.checks.check_input import NOTHING_ALONG, About, Along, CheckInput
from ascan.checks.likely_wrong import p_wrong
from ascan.checks.table import BoundChecks
from ascan.echo.placing import Shots
from ascan.echo.stage import GateStage
from ascan.engine.mirror import measure_mirrored
from ascan.engine.read import Interval, Read, Reader
from ascan.engine.thickness_stage import ThicknessStage, widen
from ascan.finding.seen import GateSeen
from ascan.kernels.arrays import AnyArray, Columns, FlagArray, FloatArray
from ascan.procedure.written import Procedure
from ascan.results.readings import gate_column
from ascan.timing.gating import Gate
from ascan.waveform.recording import Recording
from ascan.waveform.repair import without_offsets, without_spikes

# A second echo is lower: noise moves it, against the first, by so many times what it moves that.
LATE_NOISE = 2.0


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Pipeline:
    """A procedure bound to a recording, with or without a calibration; immutable, thread-safe.

    Made by `ascan.engine.binding.bind`.
    """

    procedure: Procedure
    recording: Recording
    calibration: Calibration | None
    about: About
    checks: BoundChecks
    gates: GateStage
    reader: Reader
    to_thickness: ThicknessStage | None
    second: Pipeline | None

    def window_us(self, gate: Gate) -> tuple[float, float]:
        """Return a gate's start and stop in µs; its mm by calibration, else by nominal values."""
        return window_us(self.procedure, self.calibration, gate, self.about.time_zero_us)

    def run(
        self,
        block: AnyArray,
        start_time_us: FloatArray,
        expected_us: FloatArray | None = None,
        along: Along = NOTHING_ALONG,
    ) -> Columns:
        """Take a block through all stages.

        Parameters
        ----------
        block : ndarray, shape (n, samples), C-contiguous, in the recording's stored type
        start_time_us : ndarray, shape (n,)
        expected_us : ndarray, shape (n,), optional
            When the echo of the only gate is expected (steps of known thickness).
        along : Along
            What the scan's columns say of each waveform.

        Returns
        -------
        columns : dict of ndarray, each of shape (n,)
        """
        columns = self.run_as_is(block, start_time_us, expected_us, along)
        if self.calibration is not None and expected_us is None and not self.recording.rectified:
            measure_mirrored(self, block, start_time_us, along, columns)
        return columns

    def conclude(self, columns: Columns) -> None:
        """Add what all flags of readings together say; last of all, once the scan's own stand."""
        if "thickness_mm" not in columns:
            return
        thickness, flags = columns["thickness_mm"], columns["flags"]
        likely = p_wrong(flags, columns["alternative_odds"])
        columns["p_wrong"] = np.where(is_fatal(flags), np.nan, likely)
        decision = self.procedure.decision
        if decision is not None:
            columns["conformance"] = decision.probability(thickness, columns["u_mm"])
            columns["decision"] = decision.decide(
                thickness,
                columns["expanded_mm"],
                flags,
                decidable=self.to_thickness is not None and self.to_thickness.decidable,
            )

    def run_as_is(
        self,
        block: AnyArray,
        start_time_us: FloatArray,
        expected_us: FloatArray | None,
        along: Along,
    ) -> Columns:
        """Take a block through all stages, with the polarity it has."""
        flags = np.zeros(len(block), np.uint32)
        seen = self._repaired(block, start_time_us, flags)
        self._time_gates(seen, expected_us)
        self.checks.run(Stage.ECHOES, seen, flags)
        read = self.reader.read(seen, self.checks.run, flags)
        columns = self._thickness(read.main, flags, along.component_c)
        if self.calibration is not None:
            columns |= {
                "alternative_mm": self.reader.alternative_mm(read, columns),
                "alternative_odds": read.alternatives.odds,
                "alternative_cause": read.alternatives.cause,
            }
            columns |= read.columns
            columns |= self._judged(seen, read, columns, along)
        for gate, echo in seen.echoes.items():
            found = echo.columns() | echo.measured
            columns |= {gate_column(gate, suffix): each for suffix, each in found.items()}
        return columns

    def _repaired(self, block: AnyArray, start_time_us: FloatArray, flags: FlagArray) -> CheckInput:
        """Return a block as the checks see it: offsets taken off, spikes mended."""
        period, baseline = self.about.period, self.procedure.baseline
        block = without_offsets(block, self.recording, period, baseline)
        seen = CheckInput(about=self.about, block=block, start_time_us=start_time_us, spiked=block)
        self.checks.run(Stage.RECORD, seen, flags)
        seen.block = without_spikes(block, self.recording, period)
        return seen

    def _time_gates(self, seen: CheckInput, expected_us: FloatArray | None) -> None:
        """Find and time the echoes of every gate."""

        def judge(gate: GateSeen, flags: FlagArray) -> Columns:
            seen.gate = gate
            measured = self.checks.run(Stage.GATE, seen, flags)
            # Its samples are large: whoever holds them makes the next gate fetch fresh memory.
            seen.gate = None
            return measured

        shots = Shots(block=seen.block, start_time_us=seen.start_time_us, expected_us=expected_us)
        for gate in self.procedure.gates:
            span_us = self.window_us(gate)
            if expected_us is not None:
                span_us = (-seen.layout.reach_us, seen.layout.reach_us)
            seen.echoes[gate.name] = self.gates.time_gate(gate, span_us, seen.echoes, shots, judge)

    def _thickness(
        self, interval: Interval, flags: FlagArray, component_c: FloatArray | None
    ) -> Columns:
        """Return thickness, uncertainties, interval and flags of a block."""
        columns: Columns = {}
        if self.to_thickness is not None:
            columns = self.to_thickness.run(interval, flags, component_c)
        fatal = is_fatal(flags)
        return columns | {
            "interval_us": np.where(fatal, np.nan, interval.us),
            "u_interval_us": np.where(fatal, np.nan, interval.u_us),
            "flags": flags,
        }

    def _judged(self, seen: CheckInput, read: Read, columns: Columns, along: Along) -> Columns:
        """Run the checks of a block's readings; return their columns."""
        seen.columns, seen.gain_db = dict(columns), along.gain_db
        seen.others = {
            name: self._thickness(interval, columns["flags"].copy(), along.component_c)
            for name, interval in read.others.items()
        }
        if self.second is not None:
            seen.second = self.second.run(seen.block, seen.start_time_us, along=along)
        found = self.checks.run(Stage.READING, seen, columns["flags"])
        if self.about.arrivals is not None:
            noise_us = LATE_NOISE * read.main.u_us
            beyond_us = np.sqrt(np.maximum(self._late_us(found) ** 2 - noise_us**2, 0.0))
            widen(columns, 0.5 * self.about.velocity_mm_per_us * beyond_us)
        return found

    def _late_us(self, found: Columns) -> FloatArray:
        """Return by how much records of a dual probe may be late, what is taken off left out.

        A warm wedge, a film, a trigger delay all echoes alike. That shows in the second one: it is
        due by the wall that the first one tells. Where it is not heard, or tells less, the middle
        of the scan stands in.
        """
        usual_us = np.nan_to_num(self.about.scan_delay_us)
        if self.procedure.layout.times_single_echoes:
            # One echo alone may be told a half-cycle off, and most of its delay with that.
            late_us = np.nan_to_num(found["second_echo_delay_us"])
            return np.where(np.abs(late_us) > np.abs(usual_us), late_us, usual_us)
        freed = np.isfinite(found.get("delay_us", np.full(1, np.nan)))
        return np.where(freed, 0.0, usual_us)


def window_us(
    procedure: Procedure, calibration: Calibration | None, gate: Gate, time_zero_us: float
) -> tuple[float, float]:
    """Return a gate's start and stop in µs; its mm by calibration, else by nominal values."""
    layout = procedure.layout
    if layout.mode.velocity_ratio != 1.0 and gate.name != layout.gates[1]:
        velocity = procedure.material.velocity_mm_per_us
    elif calibration is not None:
        velocity = calibration.velocity_mm_per_us
    else:
        velocity = procedure.interval_material.velocity_mm_per_us
    return gate.window_us(time_zero_us, velocity)
