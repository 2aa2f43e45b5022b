"""What speaks against the picks behind them: what must follow a wall's first echo, and what may."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ascan.base.flags import Flag
from ascan.calibration.record import Calibration
from ascan.checks.multiples import SPACINGS, apart_of_multiples, flag_apart
from ascan.checks.other_echo import SIGMAS
from ascan.checks.second_echo import (
    DUAL_PERIODS,
    HALF_PERIODS,
    MOST_DUAL_PERIODS,
    SOUGHT_PERIODS,
    is_missing,
    second_off,
)
from ascan.echo.stage import GateStage
from ascan.finding.echoes import GateEchoes
from ascan.kernels.arrays import AnyArray, Columns, FloatArray
from ascan.procedure.written import Procedure
from ascan.waveform.conditioning import condition_rows
from ascan.waveform.recording import Recording


@dataclass(frozen=True, eq=False, slots=True)
class FollowingChecks:
    """The self-checks of what follows a wall's first echo; immutable, thread-safe."""

    procedure: Procedure
    recording: Recording
    calibration: Calibration
    stage: GateStage

    def check(
        self,
        block: AnyArray,
        start_time_us: FloatArray,
        echoes: Mapping[str, GateEchoes],
        columns: Columns,
    ) -> None:
        """Check the echoes behind the first one against what the reading foretells."""
        self._check_followers(echoes, columns)
        layout = self.procedure.layout
        if layout.mode.single_echo:
            self._check_second(block, start_time_us, echoes, columns)
        # A dual probe hears converted arrivals as loud as the wall's echoes.
        apart = layout.mode.single_echo or (not layout.mode.free_zero and layout.reader != "train")
        if apart and layout.arrangement != "dual":
            self._check_apart(block, start_time_us, echoes, columns)
        self._check_missing(echoes, columns)

    def _check_followers(self, echoes: Mapping[str, GateEchoes], columns: Columns) -> None:
        """Check that what comes behind an echo is no larger than a wall's later echoes are."""
        for name, usual in self.calibration.followers.items():
            found = echoes[name]
            largest = self.calibration.of_steps_beside(usual, columns["thickness_mm"])
            noise = SIGMAS * 10.0 ** (-found.snr_db / 20.0)
            most = self.procedure.checks.most_behind * largest + noise
            larger = found.behind > most
            columns["flags"] |= np.where(larger, np.uint32(Flag.OTHER_ECHO), np.uint32(0))

    def _check_second(
        self,
        block: AnyArray,
        start_time_us: FloatArray,
        echoes: Mapping[str, GateEchoes],
        columns: Columns,
    ) -> None:
        """Check that the wall's second echo, where it is heard, follows the first as it must."""
        recording = self.recording
        echo_name = self.procedure.interval.gates[-1]
        echo, thickness = echoes[echo_name], columns["thickness_mm"]
        later_us = self._later_us(echo_name, thickness)
        if self.calibration.dual is not None:
            dual = self.calibration.dual
            later_us = np.interp(thickness, dual.thickness_mm, dual.second_us)
        period, rate = self.stage.meter.period, recording.sample_rate_mhz
        half, sought = int(np.ceil(HALF_PERIODS * period)), int(np.ceil(SOUGHT_PERIODS * period))
        later = np.nan_to_num(later_us * rate, nan=0.0)
        # The own peak of a long echo may be one of its first half-cycles.
        place = (echo.envelope_us - start_time_us) * rate
        known = np.isfinite(place) & (self.calibration.dual is None)
        middle = np.where(known, np.rint(np.nan_to_num(place)), echo.peak).astype(np.int64)
        due = np.rint(later).astype(np.int64) + middle
        # No nearer than half way to the echoes before and after it, and inside the record.
        room = np.minimum((0.5 * later).astype(np.int64) - half, block.shape[1] - 1 - half - due)
        # Nor as late as the water or delay line repeats the surface echo.
        repeat = (self._repeat_us(echoes) - echo.time_us) * rate - later
        room = np.minimum(room, np.nan_to_num(repeat, nan=-1.0, posinf=1e9)).astype(np.int64)
        room[(echo.peak < 0) | ~np.isfinite(later_us)] = -1
        first = np.empty((len(block), 2 * half + 1), self.stage.taps.dtype)
        second = np.empty((len(block), 2 * (half + sought) + 1), self.stage.taps.dtype)
        zero, taps = recording.zero_code, self.stage.taps
        condition_rows(block, zero, middle - half, taps, first)
        condition_rows(block, zero, due - half - sought, taps, second)
        noise = echo.noise(recording.full_scale)
        late_us = np.array(self.calibration.second_late_us.get(echo_name, (0.0,)))
        # Between two steps it may follow either.
        apart_us = np.abs(np.diff(late_us, prepend=late_us[0]))
        after = np.searchsorted(self.calibration.steps.thickness_mm, thickness)
        slack_us = 0.5 * apart_us[after.clip(0, late_us.size - 1)]
        most = self.procedure.checks.most_second_periods * period + slack_us * rate
        if self.calibration.dual is not None:
            # Beside it comes the mode-converted arrival.
            most = np.maximum(most, MOST_DUAL_PERIODS * period)
            room = np.minimum(room, int(DUAL_PERIODS * period))
        off, least, columns["second_share"] = second_off(first, second, room, noise, period)
        columns["second_off_us"] = off / rate
        uneven = np.abs(least) > most
        columns["flags"] |= np.where(uneven, np.uint32(Flag.UNEVEN_ECHOES), np.uint32(0))

    def _later_us(self, name: str, thickness_mm: FloatArray) -> FloatArray:
        """Return by how much a wall's second echo follows its first, as the steps' did."""
        steps_mm = self.calibration.steps.thickness_mm
        late_us = self.calibration.second_late_us.get(name, (0.0,) * steps_mm.size)
        beyond_us = np.interp(thickness_mm, steps_mm, late_us)
        return np.asarray(2.0 * thickness_mm / self.calibration.velocity_mm_per_us + beyond_us)

    def _check_apart(
        self,
        block: AnyArray,
        start_time_us: FloatArray,
        echoes: Mapping[str, GateEchoes],
        columns: Columns,
    ) -> None:
        """Check that what follows the wall's first echo are its multiples, and little else."""
        recording, rate = self.recording, self.recording.sample_rate_mhz
        name, reach = self.procedure.layout.back_wall, self.stage.reach
        echo, thickness = echoes[name], columns["thickness_mm"]
        later = np.nan_to_num(self._later_us(name, thickness) * rate)
        # What follows the surface's repeat are the wall's echoes once more.
        repeat = (self._repeat_us(echoes) - start_time_us) * rate
        last = np.minimum(np.nan_to_num(repeat, nan=0.0, posinf=np.inf), float(block.shape[1]))
        last = np.minimum(last, echo.peak + SPACINGS * later).astype(np.int64) - echo.peak
        last[(echo.peak < 0) | (later <= 0.0)] = 0
        width = max(int(last.max(initial=0)), 1)
        trace = np.empty((len(block), width), self.stage.taps.dtype)
        condition_rows(block, recording.zero_code, echo.peak, self.stage.taps, trace)
        height = np.abs(echo.amplitude) * recording.full_scale
        share = np.empty(len(block))
        apart_of_multiples(trace, last, later, reach, height, share)
        columns["other_share"] = share
        usual = self.calibration.of_steps_beside(
            self.calibration.others.get(name, (0.0,)), thickness
        )
        flag_apart(share, usual, self.procedure.checks.most_apart, echo.snr_db, columns["flags"])

    def _check_missing(self, echoes: Mapping[str, GateEchoes], columns: Columns) -> None:
        """Check that the wall's second echo is there where the steps had one (dual probes)."""
        for name, usual in self.calibration.seconds.items():
            thickness = columns["thickness_mm"]
            least = self.calibration.of_steps_beside(usual, thickness, np.minimum)
            missing = is_missing(columns["second_share"], least, echoes[name].snr_db)
            columns["flags"] |= np.where(missing, np.uint32(Flag.UNEVEN_ECHOES), np.uint32(0))

    def _repeat_us(self, echoes: Mapping[str, GateEchoes]) -> FloatArray | float:
        """Return when the water or delay line repeats the surface echo, less an echo's reach.

        Infinite where there is none.
        """
        surface = self.procedure.layout.interface
        if not surface:
            return np.inf
        surface_us = echoes[surface].time_us
        path_us = np.nan_to_num(surface_us - self.procedure.probe.delay_us, nan=np.inf)
        return np.asarray(surface_us + path_us - self.procedure.layout.reach_us)
