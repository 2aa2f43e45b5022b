"""Intervals between single echoes, or from time zero to one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.base.flags import Flag
from ascan.calibration.record import Calibration
from ascan.checks.alternatives import Alternatives
from ascan.checks.check import Stage
from ascan.checks.check_input import CheckInput
from ascan.checks.shape_mismatch import SHAPE_RESIDUAL, u_of_shape_us
from ascan.engine.read import Interval, Read, RunChecks
from ascan.kernels.arrays import Columns, FlagArray, FloatArray
from ascan.path.diffraction import Leads, lead_table
from ascan.procedure.written import Procedure
from ascan.timing.interval import take_intervals


@dataclass(frozen=True, eq=False, slots=True)
class EchoesReader:
    """Reads single echoes; immutable, thread-safe.

    Attributes
    ----------
    procedure : Procedure
    calibration : Calibration, optional
    leads : Leads, optional
        By how much diffraction makes echoes early, where times are freed of it.
    """

    procedure: Procedure
    calibration: Calibration | None
    leads: Leads | None

    @property
    def inverted_hints(self) -> Flag:
        """Of a record that is turned over, another half-cycle is timed."""
        return Flag.CYCLE_UNCERTAIN

    def read(self, seen: CheckInput, run: RunChecks, flags: FlagArray) -> Read:
        """Return the interval between the procedure's gates."""
        return read_between(seen, self._interval(seen), run, flags)

    def alternative_mm(self, read: Read, columns: Columns) -> FloatArray:
        """Return what each wall would be if its likeliest alternative were right."""
        return alternative_between(self.calibration, read, columns)

    def _interval(self, seen: CheckInput) -> Interval:
        used = [seen.echoes[name] for name in seen.layout.gates]
        interval, u_interval = np.empty(seen.rows), np.empty(seen.rows)
        take_intervals(
            np.stack([self._freed(seen, echo.time_us) for echo in used]),
            np.stack([echo.u_time_us for echo in used]),
            interval,
            u_interval,
        )
        if self.calibration is not None:
            u_interval = np.hypot(u_interval, self._u_of_shapes(seen))
        return Interval(interval, u_interval)

    def _u_of_shapes(self, seen: CheckInput) -> FloatArray:
        """Return how far the echoes that bound the interval may be timed astray by their shape.

        Clipped, rough, or run into by another: beyond what the steps' own echoes were unlike. First
        arrivals change between steps, and in a component of other attenuation: of them, all counts.
        """
        frequency, gates = self.procedure.probe.frequency_mhz, seen.layout.gates
        square = np.zeros(seen.rows)
        for name in {gates[0], gates[-1]}:
            echo, usual = seen.echoes[name], seen.gates_with(SHAPE_RESIDUAL).get(name)
            least = 0.0 if usual is None or seen.about.arrivals is not None else np.nanmin(usual)
            square += u_of_shape_us(echo.shape_residual, least, echo.snr_db, frequency) ** 2
        return np.asarray(np.sqrt(square) / max(len(gates) - 1, 1))

    def _freed(self, seen: CheckInput, time_us: FloatArray) -> FloatArray:
        """Return echo times freed of diffraction, where the procedure asks for it."""
        if self.leads is None:
            return time_us
        interface = seen.layout.interface
        return self.leads.freed(time_us, seen.echoes[interface].time_us if interface else None)


def echoes_reader(procedure: Procedure, calibration: Calibration | None) -> EchoesReader:
    """Return the reader of single echoes."""
    asked = procedure.interval.diffraction != "none"
    return EchoesReader(procedure, calibration, leads_of(procedure) if asked else None)


def leads_of(procedure: Procedure, *, times: float = 1.0) -> Leads | None:
    """Return how diffraction moves a probe's echoes; None where its element is not known.

    ``times``: for an element so many times as wide.
    """
    probe, velocity = procedure.probe, procedure.material.velocity_mm_per_us
    if probe.element_diameter_mm is None or not procedure.layout.knows_path:
        return None
    path_mm, lead_us = lead_table(
        times * probe.element_diameter_mm,
        probe.frequency_mhz,
        0.01 * probe.bandwidth_percent,
        velocity,
    )
    return Leads(
        path_mm=path_mm,
        lead_us=lead_us,
        velocity_mm_per_us=velocity,
        path_mm_per_us=probe.path_mm_per_us,
        zero_us=procedure.nominal_zero_us,
    )


def read_between(seen: CheckInput, interval: Interval, run: RunChecks, flags: FlagArray) -> Read:
    """Return an interval between gates, its checks run and its alternatives weighed."""
    for name in seen.layout.gates:
        flags |= seen.echoes[name].flags
    seen.interval_us, seen.alternatives = interval.us, Alternatives(seen.rows)
    run(Stage.INTERVAL, seen, flags)
    return Read(main=interval, alternatives=seen.alternatives)


def alternative_between(
    calibration: Calibration | None, read: Read, columns: Columns
) -> FloatArray:
    """Return what each wall would be if its alternative interval were right."""
    assert calibration is not None
    later_us = read.alternatives.interval_us - read.main.us
    curve, interval = calibration.arrivals, columns["interval_us"]
    if curve is None:
        more = 0.5 * calibration.velocity_mm_per_us * later_us
    else:
        nodes = (curve.time_us, curve.thickness_mm)
        more = np.interp(interval + later_us, *nodes) - np.interp(interval, *nodes)
    return np.asarray(columns["thickness_mm"] + more)
