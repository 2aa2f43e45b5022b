"""The one block loop: rows of waveforms through all stages, a block at a time.

A stage is a compiled function over a block of rows that writes its columns and ORs its flags; one
waveform is a block of one. Nothing flows back up.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from ascan.base.errors import fault
from ascan.base.flags import FATAL, Flag, is_fatal
from ascan.calibration.record import Calibration, check_calibration
from ascan.checks.rivals import Rival, Rivals
from ascan.checks.shape import u_of_shape_us
from ascan.echo.bound import Taught
from ascan.echo.placing import Shots
from ascan.echo.stage import GateStage
from ascan.echo_checks import EchoChecks
from ascan.engine.gates import gates_of
from ascan.engine.thickness_stage import ThicknessStage
from ascan.finding.arrival import LEAST_SHARE, OF_USUAL_SHARE
from ascan.finding.echoes import GateEchoes
from ascan.finding.first_arrival import ArrivalGuide
from ascan.following_checks import FollowingChecks
from ascan.kernels.arrays import AnyArray, Columns, FlagArray, FloatArray, IntArray
from ascan.kernels.fir import whole_taps
from ascan.path.aperture import converted_later_us
from ascan.path.diffraction import lead_table
from ascan.procedure.rules import check_recording
from ascan.procedure.written import Procedure, check_procedure
from ascan.raw_checks import check_raw, mirrored, repeats
from ascan.results.readings import GATE_COLUMNS, RESULT_COLUMNS, gate_column, gate_columns
from ascan.steps.parts import AperturePart
from ascan.timing.gating import Gate
from ascan.timing.interval import take_intervals
from ascan.waveform.recording import Recording
from ascan.waveform.scan import Progress, Scan
from ascan.waveform.template import Template
from ascan.whole_record.aperture_stage import ApertureStage
from ascan.whole_record.coated_stage import CoatedStage
from ascan.whole_record.coating import expected_mismatch
from ascan.whole_record.stage import FEW, WHOLE_PERIODS, RecordStage

# The second echo's path is another wall's where it differs by so many of its standard
# uncertainties, and by more than this part of a period; or where taking it for a film moves the
# reading by so many of its own.
MOST_SECOND_OFF, LEAST_SECOND_PERIODS, COVERED = 4.0, 0.03, 3.0
# What a record says that is turned over, in a dual probe's whole record; and what its mirror image
# may still say, since it does not come from polarity.
TURNED_WHOLE = Flag.RIVAL_READING | Flag.NO_ECHO
TURNED_STILL = (
    Flag.CALIBRATION_IN_DOUBT
    | Flag.SATURATED
    | Flag.OUTSIDE_CALIBRATED_RANGE
    | Flag.OUTSIDE_MEASURING_RANGE
    | Flag.WEAK_ECHO
    | Flag.SPIKED
)
# A wall's echo and a repeat of the surface echo are not told apart within so many periods.
ON_PERIODS = 1.0
# A head that none of these speaks against says which half-cycle it is.
HEAD_DOUBTS = np.uint32(
    Flag.HALF_CYCLE_UNSURE | Flag.EARLIER_ECHO | Flag.AT_MOST | Flag.AT_GATE_EDGE | Flag.SATURATED
)
# Whole records are searched for walls so many times as thick as the gate lets pass.
FURTHER = 1.5
# Some hundred rows amortise the calls; more gained nothing (benches/speed.py).
BLOCK_BYTES = 2**21
# The median top of so many waveforms may be so many times the full scale, which may be nominal;
# codes taken for fractions are a hundred times it and more.
FIRST_ROWS, MOST_OVER = 64, 10.0


@dataclass(frozen=True, eq=False, slots=True)
class Pipeline:
    """A procedure bound to a recording, with or without a calibration; immutable, thread-safe."""

    procedure: Procedure
    recording: Recording
    calibration: Calibration | None = None
    shift: int = 0
    guide: ArrivalGuide | None = None
    templates: Mapping[str, Template] | None = None
    lags_us: Mapping[str, float] | None = None
    stage: GateStage = field(init=False)
    checks: EchoChecks = field(init=False)
    to_thickness: ThicknessStage | None = field(init=False)
    leads: tuple[FloatArray, FloatArray] | None = field(init=False)
    witness: Pipeline | None = field(init=False)
    whole: RecordStage | CoatedStage | ApertureStage | None = field(init=False)

    def __post_init__(self) -> None:
        check_procedure(self.procedure)
        if self.calibration is not None:
            check_calibration(self.calibration)
        check_recording(self.procedure, self.recording)
        recording, calibration = self.recording, self.calibration
        if calibration is not None:
            calibration.check_signature(self.procedure.signature(recording))
            _check_block_temperature(self.procedure, calibration)
        guide = self.guide or guide_of(self.procedure, self.recording, self.calibration)
        templates = self.templates or (self.calibration.templates if self.calibration else {})
        heights = self.calibration.heights if self.calibration else {}
        lags_us = self.lags_us or (self.calibration.lags_us if self.calibration else {})
        taught = Taught(
            guide=guide,
            cycle_shift=self.shift,
            templates=templates,
            heights=heights,
            lags_us=lags_us,
        )
        stage = gates_of(self.procedure, self.recording, taught)
        object.__setattr__(self, "stage", stage)
        checks = EchoChecks(self.procedure, self.recording, self.calibration, stage)
        object.__setattr__(self, "checks", checks)
        bound = ThicknessStage(self.procedure, self.calibration) if self.calibration else None
        object.__setattr__(self, "to_thickness", bound)
        object.__setattr__(self, "leads", _leads(self.procedure))
        object.__setattr__(self, "witness", self._second())
        object.__setattr__(self, "whole", _record_stage(self.procedure, recording, calibration))

    def _second(self) -> Pipeline | None:
        """Return the pipeline of the procedure's second interval, where there is one to measure."""
        second = self.procedure.second
        if second is None or self.calibration is None:
            return None
        if self.calibration.witness is None:
            raise fault(
                "calibration",
                "was made without the procedure's witness",
                remedy="calibrate anew with this procedure",
            )
        return Pipeline(
            second, self.recording, self.calibration.witness, guide=self.stage.taught.guide
        )

    def run(
        self,
        block: AnyArray,
        start_time_us: FloatArray,
        expected_us: FloatArray | None = None,
        component_c: FloatArray | None = None,
    ) -> Columns:
        """Take a block through all stages.

        Parameters
        ----------
        block : ndarray, shape (n, samples), C-contiguous, in the recording's stored type
        start_time_us : ndarray, shape (n,)
        expected_us : ndarray, shape (n,), optional
            When the echo of the only gate is expected (steps of known thickness).
        component_c : ndarray, shape (n,), optional
            Temperature under each waveform.

        Returns
        -------
        columns : dict of ndarray, each of shape (n,)
        """
        columns = self._run_as_is(block, start_time_us, expected_us, component_c)
        if self.calibration is not None and expected_us is None and not self.recording.rectified:
            self._try_mirrored(block, start_time_us, component_c, columns)
        decision = self.procedure.decision
        if decision is not None and "thickness_mm" in columns:
            # Last of all: every flag counts in a verdict.
            thickness, flags = columns["thickness_mm"], columns["flags"]
            columns["conformity"] = decision.probability(thickness, columns["u_mm"])
            columns["decision"] = decision.decide(thickness, columns["expanded_mm"], flags)
        return columns

    def _try_mirrored(
        self,
        block: AnyArray,
        start_time_us: FloatArray,
        component_c: FloatArray | None,
        columns: Columns,
    ) -> None:
        """Measure again what may be turned over, as its mirror image; keep what is then sound.

        A swapped wire or a negative gain turns every echo over. Where the polarity matters, the
        record then speaks against its reading, and its mirror image does not.
        """
        hints = TURNED_WHOLE if self.whole is not None else Flag.HALF_CYCLE_UNSURE
        # Of a wall too thin to resolve, another arrival may open with the other polarity.
        thin = columns["flags"] & np.uint32(Flag.AT_MOST) != 0
        rows = np.flatnonzero((columns["flags"] & np.uint32(hints) != 0) & ~thin)
        if rows.size == 0:
            return
        warm = None if component_c is None else component_c[rows]
        images = mirrored(block[rows], self.recording)
        again = self._run_as_is(images, start_time_us[rows], None, warm)
        sound = (again["flags"] & np.uint32(~int(TURNED_STILL) & 0xFFFFFFFF)) == 0
        again["flags"] |= np.uint32(Flag.TURNED_OVER)
        for name, values in again.items():
            columns[name][rows[sound]] = values[sound]

    def _run_as_is(
        self,
        block: AnyArray,
        start_time_us: FloatArray,
        expected_us: FloatArray | None,
        component_c: FloatArray | None,
    ) -> Columns:
        """Take a block through all stages, with the polarity it has."""
        rows = len(block)
        flags = np.zeros(rows, np.uint32)
        period, baseline = self.stage.meter.period, self.procedure.baseline
        spiked, block = check_raw(block, self.recording, period, baseline, flags)
        echoes: dict[str, GateEchoes] = {}
        shots = Shots(block=block, start_time_us=start_time_us, expected_us=expected_us)
        for gate in self.procedure.gates:
            window_us = self.window_us(gate)
            if expected_us is not None:
                window_us = (-self.procedure.layout.reach_us, self.procedure.layout.reach_us)
            echoes[gate.name] = self.stage.time_gate(gate, window_us, echoes, shots)
        self.checks.check_picks(spiked, block, start_time_us, echoes, flags)
        if self.whole is not None:
            columns = self._fit_whole(self.whole, block, start_time_us, echoes, flags, component_c)
        else:
            for name in self.procedure.interval.gates:
                flags |= echoes[name].flags
            interval, u_interval = self._take_interval(echoes, len(flags))
            rivals = self.checks.check_interval(block, start_time_us, echoes, interval, flags)
            later_us = rivals.interval_us - interval
            columns = self._to_columns(interval, u_interval, flags, component_c)
            if self.calibration is not None:
                columns |= self._rival_columns(self.calibration, rivals, later_us, columns)
                self._check_reading(self.calibration, block, start_time_us, echoes, columns)
        if self.witness is not None:
            seen = self.witness.run(block, start_time_us, component_c=component_c)
            columns |= self._compare(columns, seen)
        for name, found in echoes.items():
            for suffix in GATE_COLUMNS:
                columns[gate_column(name, suffix)] = getattr(found, suffix)
        return columns

    def _check_reading(
        self,
        calibration: Calibration,
        block: AnyArray,
        start_time_us: FloatArray,
        echoes: Mapping[str, GateEchoes],
        columns: Columns,
    ) -> None:
        """Check what a reading foretells of its echo, and of those behind it."""
        self.checks.check_reading(echoes, columns)
        following = FollowingChecks(self.procedure, self.recording, calibration, self.stage)
        following.check(block, start_time_us, echoes, columns)

    def window_us(self, gate: Gate) -> tuple[float, float]:
        """Return a gate's start and stop in µs; its mm by calibration, else by nominal values."""
        procedure = self.procedure
        layout = procedure.layout
        if layout.mode.velocity_ratio != 1.0 and gate.name != layout.gates[1]:
            velocity = procedure.material.velocity_mm_per_us
        elif self.calibration is not None:
            velocity = self.calibration.velocity_mm_per_us
        else:
            velocity = procedure.interval_material.velocity_mm_per_us
        return gate.window_us(self.checks.time_zero_us, velocity)

    def _fit_whole(
        self,
        whole: RecordStage | CoatedStage | ApertureStage,
        block: AnyArray,
        start_time_us: FloatArray,
        echoes: dict[str, GateEchoes],
        flags: FlagArray,
        component_c: FloatArray | None,
    ) -> Columns:
        """Return the columns of a block by fits of whole records.

        The surface gate says where to begin; that of the wall bounds the answer, not the search,
        and gets what the fit left of its echo.
        """
        front = echoes[self.procedure.interval.gates[0]]
        # The fit works on the raw record, the gate's noise is what its filter leaves of it.
        filtered = np.linalg.norm(whole_taps(self.stage.taps.astype(np.float64)))
        noise = np.nan_to_num(front.noise(self.recording.full_scale)) / float(filtered)
        if isinstance(whole, RecordStage | CoatedStage):
            flags |= front.flags & np.uint32(FATAL)
            found = whole.run(block, start_time_us, front.time_us, noise, flags)
            start_us, stop_us = self.window_us(
                self.procedure.gate(self.procedure.interval.gates[1])
            )
            outside = (found["interval_us"] < start_us) | (found["interval_us"] > stop_us)
            flags |= np.where(outside, np.uint32(Flag.OUTSIDE_GATE), np.uint32(0))
            period_us = 1.0 / self.procedure.probe.frequency_mhz
            hidden = _may_be_hidden(found, stop_us, period_us, flags)
            _tell_fit(self.procedure.interval.gates[1], echoes, found)
        else:
            # Which half-cycle it is, the whole record settles itself.
            flags |= front.flags & ~np.uint32(Flag.HALF_CYCLE_UNSURE)
            # It begins where the head was found, and seeks no wall half as thick.
            self.checks.check_interval(block, start_time_us, echoes, front.time_us, flags)
            sure = (front.flags & HEAD_DOUBTS) == 0
            found = whole.run(block, start_time_us, self._by_head(front), sure, noise, flags)
            hidden = np.zeros(len(block), bool)
        columns = self._to_columns(
            found["interval_us"], found["u_interval_us"], flags, component_c, found.get("grown")
        )
        half = 0.5 * whole.operator.velocity_mm_per_us
        columns |= {
            "rival_mm": half * found["rival_us"],
            "rival_odds": found["rival_odds"],
            "rival_cause": np.where(
                hidden,
                np.uint8(Rival.SURFACE_REPEAT),
                np.where(
                    np.isfinite(found["rival_us"]), np.uint8(Rival.OTHER_SPACING), np.uint8(0)
                ),
            ),
            "unexplained": found["unexplained"],
        }
        if "coating_us" in found:
            assert self.procedure.coating is not None
            columns["coating_mm"] = (
                0.5 * self.procedure.coating.velocity_mm_per_us * found["coating_us"]
            )
        for name in ("second_share", "other_share"):
            if name in found:
                columns[name] = found[name]
        assert self.calibration is not None
        self._check_reading(self.calibration, block, start_time_us, echoes, columns)
        if "second_late_mm" in found:
            self._hear_second(columns, found, component_c)
        return columns

    def _rival_columns(
        self, calibration: Calibration, rivals: Rivals, later_us: FloatArray, columns: Columns
    ) -> Columns:
        """Return what each reading would be if its likeliest rival were right, and its odds."""
        dual, interval = calibration.dual, columns["interval_us"]
        if dual is not None:
            nodes = (dual.time_us, dual.thickness_mm)
            more = np.interp(interval + later_us, *nodes) - np.interp(interval, *nodes)
        else:
            more = 0.5 * calibration.velocity_mm_per_us * later_us
        return {
            "rival_mm": columns["thickness_mm"] + more,
            "rival_odds": rivals.odds,
            "rival_cause": rivals.cause,
        }

    def _by_head(self, front: GateEchoes) -> FloatArray:
        """Return thickness by the head of a dual probe's echo."""
        assert self.calibration is not None
        dual = self.calibration.dual
        assert dual is not None
        time_us = np.nan_to_num(front.time_us, nan=-1.0)
        found = np.interp(time_us, dual.time_us, dual.thickness_mm)
        return np.where(np.isfinite(front.time_us), found, np.nan)

    def _hear_second(
        self, columns: Columns, found: Columns, component_c: FloatArray | None
    ) -> None:
        """Add what the second echo's path says of the wall, and flag where it says otherwise."""
        late, u_late = found["second_late_mm"], found["u_second_late_mm"]
        columns["witness_mm"] = columns["thickness_mm"] + late
        columns["u_witness_mm"] = np.hypot(u_late, columns["u_common_mm"])
        columns["witness_off"] = -late / np.hypot(u_late, columns["u_common_mm"])
        slight = LEAST_SECOND_PERIODS / self.procedure.probe.frequency_mhz
        slight_mm = 0.5 * slight * self.procedure.material.velocity_mm_per_us
        free = self._to_columns(
            found["delayed_us"], found["u_delayed_us"], columns["flags"].copy(), component_c
        )
        columns["without_film_mm"] = free["thickness_mm"]
        columns["u_without_film_mm"] = free["u_mm"]
        differs = np.abs(free["thickness_mm"] - columns["thickness_mm"])
        off = (np.abs(columns["witness_off"]) > MOST_SECOND_OFF) & (np.abs(late) > slight_mm)
        told = MOST_SECOND_OFF * columns["u_without_film_mm"]
        off |= (differs > told) & (differs > COVERED * columns["u_mm"])
        columns["flags"] |= np.where(off, np.uint32(Flag.WITNESS_DISAGREES), np.uint32(0))

    def _take_interval(
        self, echoes: Mapping[str, GateEchoes], rows: int
    ) -> tuple[FloatArray, FloatArray]:
        """Return the interval between echoes, and its standard uncertainty."""
        used = [echoes[name] for name in self.procedure.interval.gates]
        if self.procedure.layout.reader == "train":
            return used[0].spacing_us, used[0].u_spacing_us
        interval, u_interval = np.empty(rows), np.empty(rows)
        take_intervals(
            np.stack([self._freed(echo.time_us) for echo in used]),
            np.stack([echo.u_time_us for echo in used]),
            interval,
            u_interval,
        )
        if self.calibration is not None and self.calibration.dual is not None:
            # Between steps, and in a component of other attenuation, heads change their shape.
            head, frequency = used[0], self.procedure.probe.frequency_mhz
            u_shape = u_of_shape_us(head.misfit, head.snr_db, frequency)
            u_interval = np.hypot(u_interval, u_shape)
        return interval, u_interval

    def _to_columns(
        self,
        interval: FloatArray,
        u_interval: FloatArray,
        flags: FlagArray,
        component_c: FloatArray | None,
        grown: FloatArray | None = None,
    ) -> Columns:
        """Return thickness, uncertainties, interval and flags of a block."""
        columns: Columns = {}
        if self.to_thickness is not None:
            columns = self.to_thickness.run(interval, u_interval, flags, component_c, grown)
        fatal = is_fatal(flags)
        interval[fatal] = np.nan
        u_interval[fatal] = np.nan
        return columns | {"interval_us": interval, "u_interval_us": u_interval, "flags": flags}

    def _freed(self, time_us: FloatArray) -> FloatArray:
        """Return echo times freed of diffraction, where the procedure asks for it."""
        if self.leads is None:
            return time_us
        velocity = self.procedure.material.velocity_mm_per_us
        path_mm, lead_us = self.leads
        run_mm = velocity * (time_us - self.procedure.nominal_zero_us)
        return np.asarray(time_us + np.interp(run_mm, path_mm, lead_us))

    def _compare(self, columns: Columns, seen: Columns) -> Columns:
        """Return what the second interval gives, and flag where the two disagree."""
        procedure = self.procedure
        apart = columns["thickness_mm"] - seen["thickness_mm"]
        off = apart / np.hypot(columns["u_mm"], seen["u_mm"])
        found = {
            "witness_mm": seen["thickness_mm"],
            "u_witness_mm": seen["u_mm"],
            "witness_off": off,
        }
        disagrees = np.abs(off) > procedure.checks.most_witness_off
        if procedure.coating is not None and self.calibration is not None:
            # Back-wall echoes run in the wall alone; the other interval crosses the coating, too.
            way = 1.0 if procedure.layout.mode.free_zero else -1.0
            ratio = procedure.coating.velocity_mm_per_us / self.calibration.velocity_mm_per_us
            found["coating_mm"] = way * apart * ratio
            disagrees &= way * apart < 0.0
        columns["flags"] |= np.where(disagrees, np.uint32(Flag.WITNESS_DISAGREES), np.uint32(0))
        return found

    def walk(self, scan: Scan, progress: Progress | None = None) -> Iterator[tuple[slice, Columns]]:
        """Yield (rows, columns) for the scan's blocks in order; columns of the scan included."""
        last: AnyArray | None = None
        for rows, block in self.blocks(scan):
            found = self.run_rows(scan, rows, block)
            again = repeats(block, last)
            found["flags"] |= np.where(again, np.uint32(Flag.REPEATED), np.uint32(0))
            last = block[-1].copy()
            kept = {name: column[rows] for name, column in scan.columns.items()}
            yield rows, kept | found
            if progress is not None:
                progress(rows.stop, len(scan))

    def run_rows(self, scan: Scan, rows: slice | IntArray, block: AnyArray) -> Columns:
        """Return the columns of some rows of a scan, whose waveforms are ``block``."""
        warm = scan.columns.get("temperature_c")
        found = self.run(
            block,
            scan.start_time_us[rows],
            component_c=None if warm is None else np.asarray(warm[rows], np.float64),
        )
        found["flags"] |= self._out_of_date(scan, rows)
        return found

    def _out_of_date(self, scan: Scan, rows: slice | IntArray) -> np.uint32 | FlagArray:
        """Return the flag of readings that the scan says were taken after the calibration's time.

        What the scan does not say is not told by today's date: a record that is read again years
        later gives the same answer.
        """
        ends = self.calibration.valid_until if self.calibration else None
        if ends is None or "time_s" not in scan.columns:
            return np.uint32(0)
        late = np.asarray(scan.columns["time_s"][rows], np.float64) > ends.timestamp()
        return np.where(late, np.uint32(Flag.CALIBRATION_IN_DOUBT), np.uint32(0))

    def blocks(self, scan: Scan) -> Iterator[tuple[slice, AnyArray]]:
        """Yield (rows, waveforms) in blocks of a good size, the scan's columns checked."""
        per_row = scan.shape[1] * scan.rows.dtype.itemsize
        self._check_columns(scan)
        for rows, block in scan.blocks(int(min(2048, max(64, BLOCK_BYTES // per_row)))):
            if rows.start == 0 and block.dtype.kind == "f":
                self._check_scale(block, scan.name)
            yield rows, block

    def _check_scale(self, block: AnyArray, name: str) -> None:
        """Refuse floating-point samples whose full scale was not stated, or stated wrongly."""
        full = self.recording.full_scale
        tops = np.abs(block[:FIRST_ROWS] - self.recording.zero_code).max(axis=1)
        tops = tops[np.isfinite(tops)]
        if tops.size and np.median(tops) > MOST_OVER * full:
            raise fault(
                f"{name}: full_scale",
                f"is {full:g}, waveforms reach {np.median(tops):g}",
                remedy="state the full scale that the samples have",
            )

    def _check_columns(self, scan: Scan) -> None:
        """Refuse a scan whose columns are called like those of the readings."""
        taken = set(RESULT_COLUMNS)
        for gate in self.procedure.gates:
            taken |= set(gate_columns(gate.name))
        rule, warm = self.procedure.temperature, scan.columns.get("temperature_c")
        if rule is not None and warm is not None:
            rule.check_column(np.asarray(warm, np.float64), scan.name)
        for name in taken & set(scan.columns):
            raise fault(
                f"{scan.name}: column '{name}'",
                "is called like a column of the readings",
                remedy="rename it, or the gate",
            )


def _check_block_temperature(procedure: Procedure, calibration: Calibration) -> None:
    """Refuse a block temperature other than the one the calibration was made at."""
    rule, noted = procedure.temperature, calibration.conditions.get("block_temperature_c")
    if rule is None or noted is None:
        return
    if abs(rule.block_c - float(noted)) > max(2.0 * rule.u_block_c, 0.5):
        raise fault(
            "temperature",
            f"block_c is {rule.block_c:g} °C, the calibration was made at {float(noted):g} °C",
            remedy="state the block's temperature as it was",
        )


def joined(blocks: Iterable[Columns]) -> Columns:
    """Return the columns of successive blocks, one after another."""
    parts = list(blocks)
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def guide_of(
    procedure: Procedure, recording: Recording, calibration: Calibration | None
) -> ArrivalGuide:
    """Return what calibration, or else nominal dimensions, tell of the heads to come."""
    if calibration is not None and calibration.dual is not None:
        dual = calibration.dual
        converted = converted_later_us(dual.thickness_mm, calibration.velocity_mm_per_us)
        later = np.stack([np.zeros_like(converted), dual.second_us, converted])
        shares = [min(each) for each in calibration.shares.values()]
        return ArrivalGuide(
            train_us=dual.time_us + later,
            cross_talk=dual.cross_talk * np.array([[1.0], [recording.full_scale]]),
            shapes=dual.heads,
            arrival_us=dual.heads_us,
            zero_index=dual.before,
            polarity=dual.polarity,
            least_share=min([LEAST_SHARE, *(OF_USUAL_SHARE * share for share in shares)]),
        )
    geometry = procedure.probe.geometry()
    if geometry is None:
        return ArrivalGuide()
    depth, velocity = np.geomspace(0.2, 200.0, 300), procedure.material.velocity_mm_per_us
    first, second = (geometry.middle_time_us(depth, velocity, echo) for echo in (1, 2))
    train = np.stack([first, second, first + converted_later_us(depth, velocity)])
    return ArrivalGuide(train_us=train + procedure.probe.delay_us)


def _leads(procedure: Procedure) -> tuple[FloatArray, FloatArray] | None:
    """Return by how much diffraction makes echoes early, by path; None where it is left in."""
    probe = procedure.probe
    if procedure.interval.diffraction == "none" or probe.element_diameter_mm is None:
        return None
    return lead_table(
        probe.element_diameter_mm,
        probe.frequency_mhz,
        0.01 * probe.bandwidth_percent,
        procedure.material.velocity_mm_per_us,
    )


def _tell_fit(name: str, echoes: dict[str, GateEchoes], found: Columns) -> None:
    """Give the wall's gate what the fit left of its echo, and that echo over the raw noise."""
    if "misfit" in found:
        with np.errstate(divide="ignore"):
            snr_db = 20.0 * np.log10(found["snr"])
        echoes[name] = dataclasses.replace(echoes[name], misfit=found["misfit"], snr_db=snr_db)


def _may_be_hidden(found: Columns, stop_us: float, period_us: float, flags: FlagArray) -> AnyArray:
    """Refuse what may be no wall but what precedes one that the surface echo's repeat hides.

    Where the gate reaches past the repeat and the echo found is weak, none is, or it is not whole
    ahead of a repeat that was not taken off the record, the wall may be thicker than
    the record is used to: ``rival_us`` says from where on.
    """
    hidden = (found["repeat_us"] < stop_us) & (flags & FEW != 0)
    cut = found["interval_us"] + WHOLE_PERIODS * period_us > found["unfreed_us"]
    hidden |= (found["unfreed_us"] < stop_us) & cut
    # Of a wall echo right on a repeat, nothing tells the one from the other.
    hidden |= np.abs(found["interval_us"] - found["freed_us"]) < ON_PERIODS * period_us
    found["rival_us"] = np.where(hidden, found["repeat_us"], found["rival_us"])
    found["rival_odds"] = np.where(hidden, 0.0, found["rival_odds"])
    flags |= np.where(hidden, np.uint32(Flag.RIVAL_READING), np.uint32(0))
    return np.asarray(hidden)


def _record_stage(
    procedure: Procedure, recording: Recording, calibration: Calibration | None
) -> RecordStage | CoatedStage | ApertureStage | None:
    """Return the fit of whole records, where the calibration has learned what they look like."""
    if calibration is None or calibration.whole is None:
        return None
    probe = procedure.probe
    if isinstance(calibration.whole, AperturePart):
        steps_mm = calibration.steps.thickness_mm
        lefts = calibration.lefts.get(procedure.interval.gates[0], (0.0,) * steps_mm.size)
        order = np.argsort(steps_mm)
        return ApertureStage(
            part=calibration.whole,
            recording=recording,
            frequency_mhz=probe.frequency_mhz,
            delay_us=probe.delay_us,
            span_mm=(0.4 * calibration.minimum_mm, FURTHER * calibration.maximum_mm),
            least_odds=procedure.checks.least_record_odds,
            steps_mm=steps_mm[order],
            lefts=np.array(lefts)[order],
        )
    wall = procedure.gate(procedure.interval.gates[1])
    velocity = calibration.velocity_mm_per_us
    most_mm = 0.5 * velocity * wall.window_us(0.0, velocity)[1]
    bare = RecordStage(
        part=calibration.whole,
        velocity_mm_per_us=velocity,
        recording=recording,
        frequency_mhz=probe.frequency_mhz,
        delay_us=probe.delay_us,
        most_mm=FURTHER * most_mm,
        checks=procedure.checks,
        # A coating's fit does without: it ends ahead of the repeat.
        stop_us=wall.window_us(0.0, velocity)[1] if procedure.coating is None else 0.0,
        usual_other=max(calibration.beside.get(wall.name, (0.0,))),
    )
    if procedure.coating is None:
        return bare
    coating_velocity = procedure.coating.velocity_mm_per_us
    return CoatedStage(
        bare, expected_mismatch(coating_velocity, probe.path_mm_per_us, probe.arrangement)
    )
