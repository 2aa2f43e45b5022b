"""What speaks against the picks: each self-check on the echoes that an interval is taken from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from ascan.base.flags import Flag
from ascan.calibration.record import Calibration
from ascan.checks.earlier_echo import (
    CLEAR_PERIODS,
    NEAR_PERIODS,
    SHARES,
    USUAL_HEAD,
    USUAL_HEIGHT,
    odds_against,
    shares_ahead,
)
from ascan.checks.other_echo import Beside, check_others
from ascan.checks.rivals import Rival, Rivals, flag_rivals
from ascan.checks.shape import allowed_between, arrival_reach, check_shape
from ascan.checks.skipped_cycle import Times, weigh_half_cycle
from ascan.checks.spikes import check_spikes
from ascan.checks.surface_moved import check_surface
from ascan.checks.surface_repeat import weigh_repeat
from ascan.checks.uneven_echoes import check_lead, check_spacing
from ascan.checks.weak_echo import is_changed, share_of_usual
from ascan.echo.stage import GateStage
from ascan.finding.echoes import GateEchoes
from ascan.kernels.arrays import AnyArray, Columns, FlagArray, FloatArray
from ascan.path.modes import Begins
from ascan.procedure.written import Procedure
from ascan.waveform.conditioning import condition_rows
from ascan.waveform.recording import Recording


@dataclass(frozen=True, eq=False, slots=True)
class EchoChecks:
    """The self-checks of picks, bound to a recording; immutable, thread-safe."""

    procedure: Procedure
    recording: Recording
    calibration: Calibration | None
    stage: GateStage
    between: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        learned, between = self.stage.taught.guide.learned, np.zeros(0)
        if self.calibration is not None and len(learned.shapes) > 1:
            between = allowed_between(learned, arrival_reach(self.stage.meter.period))
        object.__setattr__(self, "between", between)

    @property
    def surface(self) -> str:
        """Name of the gate that holds the surface echo, or ""."""
        return self.procedure.layout.interface

    @property
    def time_zero_us(self) -> float:
        """When the sound left the probe: calibrated, else nominal."""
        if self.calibration is not None and self.procedure.layout.mode.begins is Begins.TRANSMIT:
            return self.calibration.zero_us
        return self.procedure.nominal_zero_us

    def check_picks(
        self,
        spiked: AnyArray,
        block: AnyArray,
        start_time_us: FloatArray,
        echoes: Mapping[str, GateEchoes],
        flags: FlagArray,
    ) -> None:
        """Check what the gates found, whatever is made of it; ``spiked`` is before mending."""
        if spiked is not block:
            self._check_spikes(spiked, block, start_time_us, echoes, flags)
        if self.calibration is not None:
            self._check_against_steps(self.calibration, echoes, flags)

    def check_interval(
        self,
        block: AnyArray,
        start_time_us: FloatArray,
        echoes: Mapping[str, GateEchoes],
        interval_us: FloatArray,
        flags: FlagArray,
    ) -> Rivals:
        """Check the echoes that an interval is taken between; return what else they may be."""
        rivals = Rivals(len(flags))
        self._weigh_half_cycles(echoes, interval_us, rivals, flags)
        # The fit of a train checks itself.
        if self.procedure.layout.reader != "train":
            self._check_spacing(echoes, flags)
            self._weigh_repeats(echoes, rivals, flags)
            self._weigh_earlier(block, start_time_us, echoes, interval_us, rivals, flags)
        return rivals

    def check_reading(self, echoes: Mapping[str, GateEchoes], columns: Columns) -> None:
        """Check what a calibrated reading foretells of its echo: strength, company, shape."""
        assert self.calibration is not None
        self._check_strength(self.calibration, echoes, columns)
        self._check_others(self.calibration, echoes, columns)
        for name, each in self.calibration.misfits.items():
            usual = self.calibration.of_steps_beside(each, columns["thickness_mm"])
            if "strength" in columns and name == self.procedure.layout.back_wall:
                lower = columns["strength"] < self.procedure.checks.least_strength
                weak = lower & is_changed(echoes[name].misfit, usual, echoes[name].snr_db)
                columns["flags"] |= np.where(weak, np.uint32(Flag.WEAK_ECHO), np.uint32(0))
            if self.between.size:
                known_us = np.nan_to_num(echoes[name].time_us)
                place = np.searchsorted(self.stage.taught.guide.arrival_us, known_us) - 1
                usual = np.maximum(usual, self.between[place.clip(0, self.between.size - 1)])
            most, found = self.procedure.checks.most_misfit, echoes[name]
            strength = columns.get("strength", np.full(usual.size, np.nan))
            check_shape(found.misfit, usual, most, found.snr_db, strength, columns["flags"])

    def _weigh_half_cycles(
        self,
        echoes: Mapping[str, GateEchoes],
        interval_us: FloatArray,
        rivals: Rivals,
        flags: FlagArray,
    ) -> None:
        """Weigh each timed half-cycle against its neighbours, by the calibration's envelopes."""
        probe, gates = self.procedure.probe, self.procedure.interval.gates
        least = self.procedure.checks.least_rival_odds
        odds, late_us = np.empty(len(flags)), np.empty(len(flags))
        for name, lag_us in (self.calibration.lags_us if self.calibration else {}).items():
            echo = echoes[name]
            period_us = 1.0 / probe.frequency_mhz
            times = Times(echo.time_us, echo.envelope_us, echo.u_envelope_us)
            weigh_half_cycle(times, lag_us, period_us, odds, late_us)
            # An interval ends with its last echo and begins with its first.
            way = 0.0 if name not in gates else 1.0 if name == gates[-1] else -1.0
            shared = max(len(gates) - 1, 1)
            rivals.weigh(Rival.HALF_CYCLE, odds, interval_us - way * late_us / shared)
            flag_rivals(odds, least, Flag.HALF_CYCLE_UNSURE, flags)

    def _check_spikes(
        self,
        spiked: AnyArray,
        block: AnyArray,
        start_time_us: FloatArray,
        echoes: Mapping[str, GateEchoes],
        flags: FlagArray,
    ) -> None:
        """Check that no echo that is used rests on mended samples."""
        for name in self.procedure.interval.gates:
            echo = echoes[name]
            place = (echo.time_us - start_time_us) * self.recording.sample_rate_mhz
            peak = echo.peak.astype(np.float64)
            check_spikes(spiked, block, place, peak, self.stage.reach, flags)

    def _check_against_steps(
        self, calibration: Calibration, echoes: Mapping[str, GateEchoes], flags: FlagArray
    ) -> None:
        """Check the surface echo's time, and by how much it leads wall echoes, by the steps'."""
        period_us = 1.0 / self.procedure.probe.frequency_mhz
        most_moved = self.procedure.checks.most_moved_periods
        # A coating moves the echo of what is under it; where one is stated, that is no fault.
        arrivals = {} if self.procedure.coating else calibration.arrivals_us
        for name, usual_us in arrivals.items():
            check_surface(echoes[name].time_us, usual_us, most_moved * period_us, flags)
        for lead_us in calibration.leads_us.values():
            first, second = (echoes[each].time_us for each in self.procedure.interval.gates[:2])
            begin = echoes[self.surface].time_us if self.surface else 0.0
            # A coating that is stated may make it later.
            most = np.inf if self.procedure.coating else lead_us[1]
            lead = 2.0 * first - begin - second
            check_lead(lead, (lead_us[0], most), period_us, flags)

    def _check_strength(
        self, calibration: Calibration, echoes: Mapping[str, GateEchoes], columns: Columns
    ) -> None:
        """Check that the wall's first echo is about as strong as on the steps."""
        checks = self.procedure.checks
        for name, usual in calibration.strengths.items():
            strength, least = np.abs(echoes[name].amplitude), checks.least_strength_alone
            if self.surface:
                strength = strength / np.abs(echoes[self.surface].amplitude)
                least = checks.least_strength
            steps_mm = calibration.steps.thickness_mm
            if len(usual) != steps_mm.size:
                # Calibrations before format 1.6 know the first and the last step's.
                steps_mm = steps_mm[[0, -1]]
            share = share_of_usual(strength, columns["thickness_mm"], steps_mm, np.array(usual))
            columns["strength"] = share
            if self.surface:
                whole = echoes[self.surface].flags & np.uint32(Flag.SATURATED) == 0
                larger = whole & (share > checks.most_strength)
                columns["flags"] |= np.where(larger, np.uint32(Flag.OTHER_ECHO), np.uint32(0))
            columns["flags"] |= np.where(share < least, np.uint32(Flag.WEAK_ECHO), np.uint32(0))

    def _check_others(
        self, calibration: Calibration, echoes: Mapping[str, GateEchoes], columns: Columns
    ) -> None:
        """Check what stands ahead of wall echoes and behind them against the steps'."""
        # A fit of whole records that models all echoes says itself what is left of them.
        beside = {} if self.procedure.layout.fit_judges_itself else calibration.beside
        most = (self.procedure.checks.most_ahead, self.procedure.checks.most_behind)
        for name, usual in beside.items():
            found, strength = echoes[name], columns.get("strength", np.ones(1))
            part = np.nan_to_num(np.minimum(strength, 1.0), nan=1.0) + np.zeros(found.ahead.size)
            # Calibrations before format 1.7 know the most over all steps.
            each = calibration.aheads.get(name, usual[:1])
            ahead = calibration.of_steps_beside(each, columns["thickness_mm"])
            stands, there = Beside(found.ahead, found.behind), (ahead, usual[1])
            check_others(stands, there, most, found.snr_db, part, columns["flags"])

    def _check_spacing(self, echoes: Mapping[str, GateEchoes], flags: FlagArray) -> None:
        """Check the wall echoes that were used against each other."""
        if not self.procedure.layout.mode.free_zero:
            nothing = np.full(len(flags), np.nan)
            surface_us = echoes[self.surface].time_us if self.surface else nothing
            times = np.stack([echoes[name].time_us for name in self.procedure.layout.back_walls])
            check_spacing(surface_us, times, 1.0 / self.procedure.probe.frequency_mhz, flags)

    def _weigh_repeats(
        self, echoes: Mapping[str, GateEchoes], rivals: Rivals, flags: FlagArray
    ) -> None:
        """Weigh the wall echoes that were used against repeats of the surface echo."""
        if not self.surface:
            return
        procedure, odds = self.procedure, np.empty(len(flags))
        surface_us, delay_us = echoes[self.surface].time_us, procedure.probe.delay_us
        for name in self.procedure.layout.back_walls:
            weigh_repeat(
                surface_us, echoes[name].time_us, delay_us, procedure.layout.reach_us, odds
            )
            rivals.weigh(Rival.SURFACE_REPEAT, odds, np.full(len(flags), np.nan))
            flag_rivals(odds, procedure.checks.least_rival_odds, Flag.SURFACE_REPEAT, flags)

    def _weigh_earlier(
        self,
        block: AnyArray,
        start_time_us: FloatArray,
        echoes: Mapping[str, GateEchoes],
        interval_us: FloatArray,
        rivals: Rivals,
        flags: FlagArray,
    ) -> None:
        """Weigh each interval between echoes against a half and a third of it."""
        recording, least = self.recording, self.procedure.checks.least_rival_odds
        if self.procedure.layout.arrangement == "dual":
            echo = echoes[self.procedure.interval.gates[-1]]
            odds = odds_against(echo.masked.share, USUAL_HEAD)
            rivals.weigh(Rival.LATER_ECHO, odds, interval_us - echo.masked.lead)
            flag_rivals(odds, least, Flag.EARLIER_ECHO, flags)
            return
        period_us = 1.0 / self.procedure.probe.frequency_mhz
        near = int(np.ceil(NEAR_PERIODS * self.stage.meter.period))
        trace = np.empty((len(flags), 2 * near + 1), self.stage.taps.dtype)
        begin_us, found = np.full(len(flags), self.time_zero_us), np.empty(len(flags))
        last, clear_us = self.procedure.interval.gates[-1], CLEAR_PERIODS * period_us
        for name in self.procedure.interval.gates:
            echo = echoes[name]
            if name != self.surface:
                for share in SHARES:
                    ahead_us = (echo.time_us - begin_us) / share
                    middle = (begin_us + ahead_us - start_time_us) * recording.sample_rate_mhz
                    index = np.nan_to_num(middle, nan=0.0, posinf=0.0, neginf=0.0)
                    origin = np.rint(index).astype(np.int64) - near
                    condition_rows(block, recording.zero_code, origin, self.stage.taps, trace)
                    height = echo.amplitude * recording.full_scale
                    shares_ahead(trace, ahead_us, clear_us, height, found)
                    odds = odds_against(found, USUAL_HEIGHT)
                    # Of an echo before the last one, it is not told which interval is meant.
                    rival_us = interval_us - (share - 1) * ahead_us if name == last else np.nan
                    rivals.weigh(Rival.LATER_ECHO, odds, rival_us + np.zeros(len(flags)))
                    flag_rivals(odds, least, Flag.EARLIER_ECHO, flags)
            begin_us = echo.time_us
