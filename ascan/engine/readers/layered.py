"""The spacing of all echoes of a layered record, by one fit of the record."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from ascan.base.flags import FATAL, Flag
from ascan.calibration.record import Calibration
from ascan.checks.alternatives import Alternatives, Cause
from ascan.checks.check import Stage
from ascan.checks.check_input import CheckInput
from ascan.checks.multiple_suspected import clipped_first
from ascan.engine.read import Interval, Read, RunChecks
from ascan.finding.echoes import GateEchoes
from ascan.kernels.arrays import BoolArray, Columns, FlagArray, FloatArray
from ascan.kernels.fir import whole_taps
from ascan.procedure.written import Procedure
from ascan.steps.models import LayeredModel
from ascan.waveform.recording import Recording
from ascan.whole_record.coated_stage import CoatedStage
from ascan.whole_record.stage import FEW, WHOLE_PERIODS, RecordStage, ToFit

# What a record says that is turned over.
TURNED_WHOLE = Flag.AMBIGUOUS | Flag.NO_ECHO
# A wall's echo and a repeat of the interface echo are not told apart within so many periods.
ON_PERIODS = 1.0
# Whole records are searched for walls so many times as thick as the gate lets pass.
FURTHER = 1.5


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class LayeredReader:
    """Reads layered records; immutable, thread-safe.

    The interface gate says where to begin; that of the wall bounds the answer, not the search, and
    gets what the fit left of its echo.

    Attributes
    ----------
    stage : RecordStage or CoatedStage
    window_us : tuple of float
        What the wall's gate lets pass.
    """

    stage: RecordStage | CoatedStage
    window_us: tuple[float, float]

    @property
    def inverted_hints(self) -> Flag:
        """The record fits no wall then, or another one."""
        return TURNED_WHOLE

    def read(self, seen: CheckInput, run: RunChecks, flags: FlagArray) -> Read:
        """Return the spacing that explains each record best."""
        layout = seen.layout
        front = seen.echoes[layout.interface]
        flags |= front.flags & np.uint32(FATAL)

        def judge(fits: Columns, own: FlagArray) -> None:
            # What was refitted is a part of the rows.
            part = dataclasses.replace(seen, fit=fits)
            fits |= run(Stage.FIT, part, own)

        noise = noise_of(seen, front)
        given = ToFit(seen.block, seen.start_time_us, front.time_us, noise)
        found = self.stage.run(given, flags, judge)
        start_us, stop_us = self.window_us
        outside = (found["interval_us"] < start_us) | (found["interval_us"] > stop_us)
        flags |= np.where(outside, np.uint32(Flag.OUTSIDE_GATE), np.uint32(0))
        first = clipped_first(seen, front.time_us, found["interval_us"])
        flags |= np.where(first, np.uint32(Flag.AMBIGUOUS), np.uint32(0))
        hidden = may_be_hidden(found, stop_us, layout.period_us, flags)
        if "shape_residual" in found:
            tell_fit(seen, layout.back_wall, found)
        return Read(
            main=Interval(found["interval_us"], found["u_interval_us"], found.get("grown")),
            alternatives=alternatives_of(found, hidden),
            columns=fit_columns(found),
        )

    def alternative_mm(self, read: Read, columns: Columns) -> FloatArray:
        """Return what each wall would be if its likeliest alternative were right."""
        half = 0.5 * self.stage.operator.velocity_mm_per_us
        return np.asarray(half * read.alternatives.interval_us)


def noise_of(seen: CheckInput, front: GateEchoes) -> FloatArray:
    """Return the noise of each raw record in codes: what its filter leaves is the gate's."""
    filtered = np.linalg.norm(whole_taps(seen.about.taps.astype(np.float64)))
    noise = np.nan_to_num(front.noise(seen.about.recording.full_scale))
    return np.asarray(noise / float(filtered))


def alternatives_of(found: Columns, hidden: BoolArray) -> Alternatives:
    """Return what else a fit may be; ``hidden``: what the interface echo's repeat hides."""
    other = Alternatives(hidden.size)
    other.odds, other.interval_us = found["alternative_odds"], found["alternative_us"]
    other.cause[np.isfinite(other.interval_us)] = Cause.OTHER_SPACING
    other.cause[hidden] = Cause.INTERFACE_MULTIPLE
    return other


def fit_columns(found: Columns) -> Columns:
    """Return what of a fit stands in readings."""
    wanted = ("residual_rms", "second_echo_ratio", "unexplained_echo", "coating_us")
    return {name: found[name] for name in wanted if name in found}


def tell_fit(seen: CheckInput, gate: str, found: Columns) -> None:
    """Give the wall's gate what the fit left of its echo, and that echo over the raw noise."""
    with np.errstate(divide="ignore"):
        snr_db = 20.0 * np.log10(found["snr"])
    echo = seen.echoes[gate]
    measured = echo.measured | {"snr_db": snr_db, "before_grain": found["left"] / found["peak"]}
    seen.echoes[gate] = dataclasses.replace(
        echo, shape_residual=found["shape_residual"], measured=measured
    )


def may_be_hidden(found: Columns, stop_us: float, period_us: float, flags: FlagArray) -> BoolArray:
    """Refuse what may be no wall but what precedes one that the interface echo's repeat hides.

    Where the gate reaches past the repeat and the echo found is weak, none is, or it is not whole
    ahead of a repeat that was not taken off the record, the wall may be thicker than
    the record is used to: ``alternative_us`` says from where on.
    """
    hidden = (found["repeat_us"] < stop_us) & (flags & FEW != 0)
    cut = found["interval_us"] + WHOLE_PERIODS * period_us > found["unfreed_us"]
    hidden |= (found["unfreed_us"] < stop_us) & cut
    # Of a back-wall echo right on a repeat, nothing tells the one from the other.
    hidden |= np.abs(found["interval_us"] - found["freed_us"]) < ON_PERIODS * period_us
    found["alternative_us"] = np.where(hidden, found["repeat_us"], found["alternative_us"])
    found["alternative_odds"] = np.where(hidden, 0.0, found["alternative_odds"])
    flags |= np.where(hidden, np.uint32(Flag.AMBIGUOUS), np.uint32(0))
    return np.asarray(hidden)


def bare_stage(
    procedure: Procedure, recording: Recording, calibration: Calibration, model: LayeredModel
) -> RecordStage:
    """Return the fit of bare walls."""
    probe, wall = procedure.probe, procedure.gate(procedure.layout.back_wall)
    velocity = calibration.velocity_mm_per_us
    _, stop_us = wall.window_us(0.0, velocity)
    most_mm = 0.5 * velocity * stop_us
    return RecordStage(
        model=model,
        velocity_mm_per_us=velocity,
        recording=recording,
        frequency_mhz=probe.frequency_mhz,
        delay_us=probe.delay_us,
        most_mm=FURTHER * most_mm,
        # A coating's fit does without: it ends ahead of the repeat.
        stop_us=stop_us if procedure.coating is None else 0.0,
    )
