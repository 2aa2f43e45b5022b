"""What the engine says of signals that mislead: right, with care, refused, silently wrong.

    python benches/faults.py [ROWS] [SEED] [SETUP]

Six ways of measuring, each calibrated on a clean step block, each given every difficulty that it
can meet, ROWS waveforms apiece. Counts only, no wall time.
"""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
from ascan_synthetic.synthesis import Synthesis
from ascan_synthetic.tables import (
    ProbeTable,
    ReceiverTable,
    RecordTable,
    Scenario,
    WallTable,
)

from ascan import Calibration, Procedure, Scan, calibrate, measure
from ascan.base.flags import is_fatal, names
from ascan.kernels.arrays import AnyArray, FlagArray, FloatArray

# Further off than an eighth of a wavelength, or 1 %, and the reading is of something else.
EIGHTH_MM = 5.92 / 5.0 / 8.0
U_STEP_MM = 0.003
DELAY_LINE = """
probe = { arrangement = "delay_line", frequency_mhz = 5.0, delay_us = 0.35,
          element_diameter_mm = 6.0 }
INTERVAL
uncertainty = { component_velocity_percent = 0.1 }
[[gate]]
name = "surface"
start_us = 8.0
stop_us = 11.0
threshold = 0.02
echo = "largest"
TIMING
[[gate]]
name = "wall"
follows = "surface"
start_mm = 1.5
stop_mm = 22.0
threshold = 0.01
echo = "largest"
TIMING
""".replace("\n          ", " ")
SECOND = """
[[gate]]
name = "second"
follows = "wall"
start_mm = 1.5
stop_mm = 22.0
threshold = 0.005
half_cycles = "same"
"""
CONTACT = """
probe = { arrangement = "contact", frequency_mhz = 5.0, delay_us = 0.35 }
filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }
interval = { mode = "time_zero_to_echo", gates = ["wall"] }
uncertainty = { component_velocity_percent = 0.1 }
[[gate]]
name = "wall"
start_mm = 2.0
stop_mm = 22.0
threshold = 0.015
half_cycles = "negative"
"""
DUAL = """
probe = { arrangement = "dual", frequency_mhz = 5.0, delay_us = 0.35, wedge_height_mm = 8.0,
          wedge_velocity_mm_per_us = 2.35, roof_deg = 3.5, element_width_mm = 5.0,
          element_length_mm = 8.0, element_gap_mm = 1.0 }
filter = { kind = "band_pass", low_mhz = 1.5, high_mhz = 9.0 }
interval = { mode = "MODE", gates = ["wall"] }
uncertainty = { component_velocity_percent = 0.1 }
[[gate]]
name = "wall"
start_mm = -1.0
stop_mm = 30.0
echo = "first_arrival"
""".replace("\n          ", " ")


@dataclass(frozen=True)
class Setup:
    """One way of measuring, on clean signals."""

    name: str
    procedure: Procedure
    clean: Scenario
    steps_mm: tuple[float, ...]
    walls_mm: tuple[float, float]

    @property
    def arrangement(self) -> str:
        """The probe's."""
        return self.clean.probe.arrangement

    @property
    def sees_surface(self) -> bool:
        """Whether an interface echo is part of the record."""
        return self.arrangement == "delay_line"

    def with_walls(self, seed: int, rows: int) -> Scenario:
        """Return the clean signals on plates of random thickness."""
        walls = WallTable(uniform_mm=self.walls_mm, count=rows)
        return dataclasses.replace(self.clean, seed=seed, wall=walls)

    def calibration(self, seed: int) -> Calibration:
        """Calibrate on the clean block."""
        wall = WallTable(steps_mm=self.steps_mm, readings=4)
        made = Synthesis(dataclasses.replace(self.clean, seed=seed, wall=wall))
        known = np.asarray(made.truth_columns()["true_mean_mm"])
        return calibrate(
            scan_of(made, made.waveforms()), self.procedure, known, u_known_mm=U_STEP_MM
        )


def setups() -> list[Setup]:
    line = Scenario(
        record=RecordTable(samples=1000, start_us=8.0, bits=14),
        probe=ProbeTable(
            arrangement="delay_line", radius_mm=3.0, path_mm=12.0, phase_deg=20.0, delay_us=0.35
        ),
        receiver=ReceiverTable(gain=0.5, noise=0.0007, jitter_ns=2.0, gain_spread_db=1.0),
    )
    # So long a line that three echoes come before it repeats.
    longer = dataclasses.replace(
        line,
        record=RecordTable(samples=2200, start_us=18.0, bits=14),
        probe=dataclasses.replace(line.probe, path_mm=26.0, radius_mm=0.0),
    )
    contact = Scenario(
        record=RecordTable(samples=1800, start_us=0.0, bits=12),
        probe=ProbeTable(arrangement="contact", radius_mm=3.0, delay_us=0.35),
        receiver=ReceiverTable(gain=0.6, noise=0.004, gain_spread_db=1.0),
    )
    dual = Scenario(
        record=RecordTable(samples=1600, start_us=4.0, bits=14),
        probe=ProbeTable(arrangement="dual", delay_us=0.35),
        receiver=ReceiverTable(gain=0.4, noise=0.004, gain_spread_db=1.0),
    )

    def by_line(interval: str, timing: str) -> str:
        filled = DELAY_LINE.replace("INTERVAL", interval)
        return filled.replace("TIMING", f'timing = "{timing}"')

    whole = 'interval = { mode = "whole_record", gates = ["surface", "wall"], diffraction = "D" }'
    whole = whole.replace('"D"', '"round_element"')
    to_echo = 'interval = { mode = "interface_to_echo", gates = ["surface", "wall"] }'
    banded = 'filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }\n'
    between = banded + 'interval = { mode = "echo_to_echo", gates = ["wall", "second"] }'
    far = by_line(between, "peak").replace("8.0\nstop_us = 11.0", "18.0\nstop_us = 23.0")
    far = far.replace(
        'threshold = 0.01\necho = "largest"', 'threshold = 0.01\nhalf_cycles = "negative"'
    )
    few, many = (3.0, 6.0, 12.0, 20.0), (2.0, 5.0, 10.0, 20.0)
    of = Procedure.from_text
    return [
        Setup("whole record", of(by_line(whole, "peak")), line, many, (2.2, 19.0)),
        Setup("surface to echo", of(by_line(to_echo, "correlation")), line, few, (3.0, 19.0)),
        Setup("echo to echo", of(far + SECOND), longer, few, (3.0, 19.0)),
        Setup("contact", of(CONTACT), contact, few, (3.0, 19.0)),
        Setup("dual head", of(DUAL.replace("MODE", "time_zero_to_echo")), dual, many, (2.2, 19.0)),
        Setup("dual whole", of(DUAL.replace("MODE", "whole_record")), dual, many, (2.2, 19.0)),
    ]


def scan_of(made: Synthesis, codes: AnyArray) -> Scan:
    full, rate = made.full_scale, made.scenario.record.sample_rate_mhz
    return Scan.from_array(
        codes,
        sample_rate_mhz=rate,
        start_time_us=made.scenario.record.start_us,
        full_scale=full,
        clip_low=-full,
        clip_high=full - 1.0,
    )


Codes = Callable[[AnyArray, np.random.Generator], AnyArray]


@dataclass(frozen=True)
class Difficulty:
    """What is changed against the clean signals.

    ``receiver``, ``stack``, ``wall``, ``probe`` and ``record`` are keys of the scenario's tables;
    ``codes`` changes what was stored.
    """

    name: str
    receiver: dict[str, object] = field(default_factory=dict)
    stack: dict[str, object] = field(default_factory=dict)
    wall: dict[str, object] = field(default_factory=dict)
    probe: dict[str, object] = field(default_factory=dict)
    codes: Codes | None = None


def louder(by_db: float, setup: Setup) -> float:
    return setup.clean.receiver.gain * 10.0 ** (by_db / 20.0)


def noisier(by_db: float, setup: Setup) -> float:
    return setup.clean.receiver.noise * 10.0 ** (by_db / 20.0)


def holes(codes: AnyArray, rng: np.random.Generator) -> AnyArray:
    out = codes.astype(np.float32)
    where = rng.integers(0, codes.shape[1], len(codes))
    out[np.arange(len(codes)), where] = rng.choice([np.nan, np.inf, -np.inf], len(codes))
    return out


def stuck_bit(codes: AnyArray, rng: np.random.Generator) -> AnyArray:
    return codes | np.asarray(1 << rng.integers(6, 10, (len(codes), 1)), codes.dtype)


def frozen_end(codes: AnyArray, rng: np.random.Generator) -> AnyArray:
    out = codes.copy()
    for row, at in enumerate(rng.integers(50, codes.shape[1] - 50, len(codes))):
        out[row, at:] = out[row, at]
    return out


def late_by(low_us: float, high_us: float) -> Codes:
    def shift(codes: AnyArray, rng: np.random.Generator) -> AnyArray:
        out = np.zeros_like(codes)
        for row, us in enumerate(rng.uniform(low_us, high_us, len(codes))):
            by = round(us * 100.0)
            out[row] = np.roll(codes[row], by)
        return out

    return shift


def clock_off(ahead: float) -> Codes:
    """Stretch time since the trigger by up to 10 %, which lies so many samples ahead."""

    def stretch(codes: AnyArray, rng: np.random.Generator) -> AnyArray:
        index, out = np.arange(codes.shape[1]), np.empty_like(codes)
        for row, rate in enumerate(rng.choice([0.9, 0.95, 1.05, 1.1], len(codes))):
            where = (index + ahead) * rate - ahead
            inside = (where >= 0.0) & (where <= index[-1])
            noise = np.rint(rng.normal(0.0, 5.0, index.size))
            out[row] = np.where(inside, np.rint(np.interp(where, index, codes[row])), noise)
        return out

    return stretch


def louder_later(db_per_us: float) -> Codes:
    """Raise the gain with time since the record's first sample, which the block's was not."""

    def raise_gain(codes: AnyArray, rng: np.random.Generator) -> AnyArray:
        gain = 10.0 ** (db_per_us * 0.01 * np.arange(codes.shape[1]) / 20.0)
        kind = np.iinfo(codes.dtype)
        return np.rint(codes * gain).clip(kind.min, kind.max).astype(codes.dtype)

    return raise_gain


def same_for_all(codes: AnyArray, rng: np.random.Generator) -> AnyArray:
    return np.repeat(codes[:1], len(codes), axis=0)


def difficulties(setup: Setup) -> list[Difficulty]:
    surface, single = setup.sees_surface, setup.arrangement != "dual"
    plate = {"uniform_mm": (), "count": 0}
    thin = {"uniform_mm": (0.4, setup.walls_mm[0])}
    raster = {**plate, "columns": 40, "rows": 40, "pitch_mm": 1.3, "nominal_mm": 9.0}
    probe = {"footprint_mm": 4.0}
    pits = {**raster, "pits": 30, "deepest_mm": 6.0, "pit_kinds": ("round", "flat")}
    sheets = tuple(
        {"x_mm": 6.0 + 10.0 * (k % 5), "y_mm": 6.0 + 10.0 * (k // 5), "diameter_mm": 9.0,
         "depth_mm": 2.5 + 0.25 * k} for k in range(25)
    )  # fmt: skip
    found = [
        Difficulty("clean"),
        Difficulty("weak, clean", receiver={"gain": louder(-10, setup)}),
        Difficulty("noise +10 dB", receiver={"noise": noisier(10, setup)}),
        Difficulty("noise +20 dB", receiver={"noise": noisier(20, setup)}),
        Difficulty("noise +30 dB", receiver={"noise": noisier(30, setup)}),
        Difficulty("clipped, +8 dB", receiver={"gain": louder(8, setup)}),
        Difficulty("clipped, +20 dB", receiver={"gain": louder(20, setup)}),
        Difficulty("clipped, +40 dB", receiver={"gain": louder(40, setup)}),
        Difficulty("bent, no rail", receiver={"gain": louder(12, setup), "soft_clip": 0.5}),
        Difficulty("offset", receiver={"offset": 0.1}),
        Difficulty("wander", receiver={"wander": 0.1}),
        Difficulty("fast wander", receiver={"wander": 0.1, "wander_period_us": 2.0}),
        Difficulty("inverted", receiver={"inverted": 1.0}),
        Difficulty("spikes", receiver={"spikes": 4.0}),
        Difficulty("many spikes", receiver={"spikes": 30.0, "spike_height": 0.2}),
        Difficulty("grain", receiver={"grain": 0.03}),
        Difficulty("strong grain", receiver={"grain": 0.12}),
        Difficulty("hum in the band", receiver={"noise": 0.02, "noise_band_mhz": (4.0, 6.0)}),
        Difficulty("wrap-around", receiver={"previous_us": 23.0}),
        Difficulty("wrap-around, soon", receiver={"previous_us": 9.0}),
        Difficulty("coupling lost", receiver={"lost_coupling": 1.0}),
        Difficulty("dead", receiver={"dead": 1.0}),
        Difficulty("stuck", codes=same_for_all),
        Difficulty("stuck bit", codes=stuck_bit),
        Difficulty("frozen end", codes=frozen_end),
        Difficulty("not finite", codes=holes),
        Difficulty("thin", wall=thin),
        Difficulty("thick", wall={"uniform_mm": (22.5, 40.0)}),
        Difficulty("pits", wall=pits, probe=probe),
        Difficulty("tilt", wall={"tilt_deg": 2.0}, probe=probe),
        Difficulty("rough", wall={"rough_rms_mm": 0.12, "rough_correlation_mm": 1.0}, probe=probe),
        Difficulty("sheet in the wall", wall={**raster, "lamination": sheets}, probe=probe),
        Difficulty("much gain spread", receiver={"gain_spread_db": 12.0}),
        Difficulty("attenuating", stack={"attenuation_db_per_mm": 0.6}),
    ]
    if single:
        found += [
            Difficulty("water behind", stack={"backing": "water"}),
            Difficulty("film 0.05 mm", stack={"couplant_mm": 0.05}),
            Difficulty("paint 0.3 mm", stack={"coating_mm": 0.3}),
            Difficulty("paint 1 mm", stack={"coating_mm": 1.0}),
            Difficulty("other pulse", probe={"phase_deg": 110.0}),
            Difficulty("narrow pulse", probe={"bandwidth": 0.25}),
            Difficulty("3.5 MHz probe", probe={"centre_mhz": 3.5}),
        ]
    if surface:
        found += [
            Difficulty("trigger ±0.3 µs", codes=late_by(-0.3, 0.3)),
            Difficulty("clock off 5-10 %", codes=clock_off(100.0 * setup.clean.record.start_us)),
            Difficulty("short line", probe={"path_mm": 0.6 * setup.clean.probe.path_mm}),
            Difficulty("film 0.2 mm", stack={"couplant_mm": 0.2}),
        ]
    if setup.arrangement == "dual":
        found += [
            Difficulty("cross-talk", probe={"cross_talk": 0.5, "cross_talk_us": 8.5}),
            Difficulty("conversion", probe={"conversion": 4.0}),
        ]
    found.append(Difficulty("gain +2 dB/µs", codes=louder_later(2.0)))
    return found


def signals(
    setup: Setup, difficulty: Difficulty, seed: int, rows: int
) -> tuple[Synthesis, AnyArray, FloatArray]:
    """Return waveforms, and pairs of bounds between which a reading of each is right.

    They are the least and the mean thickness under the footprint.
    """
    scenario = setup.with_walls(seed, rows)
    tables = {"receiver": difficulty.receiver, "stack": difficulty.stack}
    tables |= {"wall": difficulty.wall, "probe": difficulty.probe}
    for name, keys in tables.items():
        changed = dataclasses.replace(getattr(scenario, name), **keys)
        scenario = dataclasses.replace(scenario, **{name: changed})
    made = Synthesis(scenario)
    count = min(rows, len(made))
    rng = np.random.default_rng([seed, 5])
    pick = np.sort(rng.choice(len(made), count, replace=False))
    codes = made.waveforms()[pick]
    if difficulty.codes is not None:
        codes = difficulty.codes(codes, rng)
    truth = made.truth_columns()
    right = np.stack([np.asarray(truth[f"true_{name}_mm"])[pick] for name in ("least", "mean")])
    if "lamination" in difficulty.wall:
        # Either face is a reading, nothing between them is.
        right = np.repeat(made.footprints.depth_mm[pick].T, 2, axis=0)
    if difficulty.codes is same_for_all:
        # The first of them is no repeat.
        right[:, 1:] = np.nan
    return made, codes, right


@dataclass
class Score:
    """How the readings of one difficulty ended."""

    rows: int
    right: int
    care: int
    refused: int
    silent: int
    beyond: int
    wrong_with_care: int
    flags: FlagArray

    def line(self, name: str) -> str:
        """Return one line of the table."""
        share = [100.0 * n / self.rows for n in (self.right, self.care, self.refused)]
        silent = [100.0 * n / self.rows for n in (self.silent, self.beyond)]
        loud = 100.0 * self.wrong_with_care / self.rows
        return (
            f"{name:<20}" + "".join(f"{s:8.1f}" for s in share) + f"{loud:9.1f}"
            f"{silent[0]:9.2f}{silent[1]:9.2f}   {self.commonest()}"
        )

    def commonest(self) -> str:
        """Return the flags that were set most often, in percent."""
        found: dict[str, int] = {}
        for flags in self.flags:
            for name in filter(None, names(int(flags)).split(";")):
                found[name] = found.get(name, 0) + 1
        ranked = sorted(found.items(), key=lambda item: -item[1])[:4]
        return ", ".join(f"{name} {100 * n / self.rows:.0f}" for name, n in ranked)


def score(thickness: FloatArray, u: FloatArray, flags: FlagArray, right: FloatArray) -> Score:
    """Count; ``right``, shape (2 k, n), holds pairs of bounds between which a reading is right."""
    refused, marked = is_fatal(flags), flags != 0
    off = np.maximum(np.maximum(right[::2] - thickness, thickness - right[1::2]), 0.0).min(axis=0)
    off = np.where(np.isnan(off), np.inf, off)
    gross = ~refused & (off > np.maximum(EIGHTH_MM, 0.01 * right[-1]))
    beyond = ~refused & (off > 3.0 * u)
    silent = gross & ~marked
    return Score(
        rows=len(flags),
        right=int((~gross & ~refused).sum()),
        care=int((marked & ~refused).sum()),
        refused=int(refused.sum()),
        silent=int(silent.sum()),
        beyond=int((beyond & ~marked).sum()),
        wrong_with_care=int((gross & marked).sum()),
        flags=flags,
    )


def scores(setup: Setup, rows: int, seed: int) -> Iterator[tuple[Difficulty, Score]]:
    fit = setup.calibration(seed)
    for k, difficulty in enumerate(difficulties(setup)):
        made, codes, right = signals(setup, difficulty, seed + 1 + k, rows)
        readings = measure(scan_of(made, codes), setup.procedure, fit)
        yield difficulty, score(readings.thickness_mm, readings.u_mm, readings.flags, right)


def main(rows: int, seed: int, only: str) -> None:
    total = np.zeros(3, np.int64)
    for setup in setups():
        if only and only not in setup.name:
            continue
        print(f"\n{setup.name}, % of {rows}", flush=True)
        print(f"{'':<20}   right    care refused wrong+care  silent beyond 3u   flags")
        for difficulty, got in scores(setup, rows, seed):
            print(got.line(difficulty.name), flush=True)
            total += (got.rows, got.silent, got.beyond)
    print(f"\nall: {total[0]} waveforms, silent {100 * total[1] / total[0]:.3f} %", end="")
    print(f", beyond 3u without a flag {100 * total[2] / total[0]:.3f} %")


if __name__ == "__main__":
    given = sys.argv[1:]
    main(
        int(given[0]) if given else 200,
        int(given[1]) if len(given) > 1 else 8000,
        given[2] if len(given) > 2 else "",
    )
