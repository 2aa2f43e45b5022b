"""The thickness that explains the whole record of a dual-element probe best."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ascan.base.flags import Flag
from ascan.calibration.record import Calibration
from ascan.checks.alternatives import Alternatives
from ascan.checks.check import Stage
from ascan.checks.check_input import CheckInput
from ascan.engine.read import Interval, Read, RunChecks
from ascan.engine.readers.layered import TURNED_WHOLE, alternatives_of, fit_columns, noise_of
from ascan.finding.echoes import GateEchoes
from ascan.kernels.arrays import Columns, FlagArray, FloatArray
from ascan.procedure.written import Procedure
from ascan.steps.learned_value import Kind, LearnedValue
from ascan.steps.models import ApertureModel, FirstArrivals
from ascan.waveform.recording import Recording
from ascan.whole_record.aperture_stage import ApertureStage
from ascan.whole_record.dual_records import Residuals, Starts

# A first arrival that none of these speaks against says which half-cycle it is.
DOUBTS = np.uint32(
    Flag.CYCLE_UNCERTAIN
    | Flag.MULTIPLE_SUSPECTED
    | Flag.UPPER_BOUND
    | Flag.AT_GATE_EDGE
    | Flag.SATURATED
)
# Walls are laid out from this part of the thinnest step to so many times the thickest.
SPAN = (0.4, 1.5)
# A wedge that warms by 3 °C is late by so much (8 mm and back, -1 % in 10 °C: from memory).
U_DELAY_US = 0.02
RECORD_RESIDUAL = LearnedValue(
    name="record_residual",
    kind=Kind.PER_STEP,
    unit="1",
    meaning="what the fit of a dual probe's whole record left, over the first echo's height",
)


@dataclass(frozen=True, eq=False, slots=True)
class DualReader:
    """Reads whole records of a dual probe; immutable, thread-safe.

    It begins where the first arrival was found, and seeks no wall half as thick.
    """

    stage: ApertureStage
    curve: FirstArrivals

    @property
    def inverted_hints(self) -> Flag:
        """The record fits no wall then, or another one."""
        return TURNED_WHOLE

    def read(self, seen: CheckInput, run: RunChecks, flags: FlagArray) -> Read:
        """Return the thickness that explains each record best, as an interval."""
        first = seen.echoes[seen.layout.back_wall]
        # Which half-cycle it is, the whole record settles itself.
        flags |= first.flags & ~np.uint32(Flag.CYCLE_UNCERTAIN)
        seen.interval_us, seen.alternatives = first.time_us, Alternatives(seen.rows)
        run(Stage.INTERVAL, seen, flags)
        sure, noise = (first.flags & DOUBTS) == 0, noise_of(seen, first)
        starts = Starts(self._by_first(first), sure, np.empty(0), noise)
        found = self.stage.run(seen.block, seen.start_time_us, starts, flags)
        seen.fit, main = found, chosen_of(found)
        run(Stage.FIT, seen, flags)
        return Read(
            main=main,
            alternatives=alternatives_of(found, np.zeros(seen.rows, np.bool_)),
            others={"as_calibrated": Interval(found["interval_us"], found["u_interval_us"])},
            columns=fit_columns(found),
        )

    def alternative_mm(self, read: Read, columns: Columns) -> FloatArray:
        """Return what each wall would be if its likeliest alternative were right."""
        half = 0.5 * self.stage.operator.velocity_mm_per_us
        return np.asarray(half * read.alternatives.interval_us)

    def _by_first(self, first: GateEchoes) -> FloatArray:
        """Return thickness by the first arrival."""
        time_us = np.nan_to_num(first.time_us, nan=-1.0)
        found = np.interp(time_us, self.curve.time_us, self.curve.thickness_mm)
        return np.where(np.isfinite(first.time_us), found, np.nan)


def chosen_of(found: Columns) -> Interval:
    """Return the intervals that readings take: freed of what delays all echoes alike, if that pays.

    Wedges warm, a film gets under the shoe, a trigger wanders: when the pulse left is known to
    `U_DELAY_US` only, and the second echo, where it is heard, tells it better. What the fit leaves
    is then that one's, too. Where it is not heard, the uncertainty holds it.
    """
    u_us = np.hypot(found["u_interval_us"], U_DELAY_US)
    freed = np.isfinite(found["delayed_us"]) & (found["u_delayed_us"] < u_us)
    found["left"] = np.where(freed, found["delayed_left"], found["left"])
    found["delay_us"] = np.where(freed, found["delay_us"], np.nan)
    return Interval(
        np.where(freed, found["delayed_us"], found["interval_us"]),
        np.where(freed, found["u_delayed_us"], u_us),
    )


def dual_reader(
    procedure: Procedure, recording: Recording, calibration: Calibration, model: ApertureModel
) -> DualReader:
    """Return the reader of a dual probe's whole records."""
    table, probe = calibration.table, procedure.probe
    usual = calibration.learned.get(RECORD_RESIDUAL, {}).get(procedure.layout.back_wall)
    if usual is None:
        usual = np.where(table.used, 0.0, np.nan)
    has = ~np.isnan(usual)
    stage = ApertureStage(
        model=model,
        recording=recording,
        frequency_mhz=probe.frequency_mhz,
        delay_us=probe.delay_us,
        span_mm=(SPAN[0] * calibration.minimum_mm, SPAN[1] * calibration.maximum_mm),
        usual=Residuals(table.thickness_mm[has], usual[has]),
    )
    assert calibration.arrivals is not None
    return DualReader(stage, calibration.arrivals)
