"""What the whole record as one model reaches, beside single echoes, with what each part brings.

    python benches/whole_record.py [ROWS] [SEED]

Layered delay line, immersed with a moving water path and clipped, coated by thickness and velocity
behind both, walls round the repeat of a short path, a noise ladder, and the dual-element probe with
nominal dimensions right and off. Micrometres and ratios only, no wall time.
"""

from __future__ import annotations

import dataclasses
import sys
from typing import Any
from unittest import mock

import numpy as np
from ascan_synthetic.synthesis import Synthesis
from ascan_synthetic.tables import (
    ProbeTable,
    ReceiverTable,
    RecordTable,
    Scenario,
    StackTable,
    WallTable,
)

from ascan import Calibration, Procedure, Readings, Scan, calibrate, measure
from ascan.base.flags import is_fatal
from ascan.kernels.arrays import FloatArray
from ascan.learning import records as record_learning
from ascan.survey.wrong import eighth_mm, value_wrong
from ascan.waveform.template import SIGMA_OVER_BANDWIDTH

STEPS_MM = np.array([1.0, 3.0, 8.0, 20.0])
READINGS = 4
# Single echoes need walls whose echoes stand apart.
SINGLE_BLOCK = WallTable(steps_mm=(3.0, 6.0, 12.0, 20.0), readings=4)
# Height of the first back-wall echo behind the delay line, fraction of full scale, at a gain of
# 0.5.
WALL_HEIGHT = 0.0702
U_STEP_MM = 1e-5
EIGHTH_MM = eighth_mm(5.92, 5.0)
WATER = ProbeTable(
    arrangement="immersion", radius_mm=3.0, path_mm=20.0, path_wander_mm=3.0, delay_us=0.35
)
WET = RecordTable(samples=2600, start_us=20.0, bits=14)
# Thickness in mm and velocity in mm/µs.
COATINGS = (
    *((mm, velocity) for mm in (0.02, 0.05, 0.1, 0.25) for velocity in (2.0, 2.5, 3.0, 3.5)),
    (0.5, 2.5),
)
# Short paths: arrangement, probe, record, interface gate in µs, steps, and ranges of walls, well
# ahead of the repeat, just ahead, on it, beyond.
SHORT_PATHS = (
    (
        "delay_line",
        ProbeTable(
            arrangement="delay_line", radius_mm=3.0, path_mm=6.0, phase_deg=20.0, delay_us=0.35
        ),
        RecordTable(samples=1500, start_us=3.5, bits=14),
        ("4.0", "6.0"),
        (1.0, 3.0, 6.0, 10.0),
        ((2.0, 9.0), (10.0, 13.0), (13.0, 15.5), (15.5, 24.0)),
    ),
    (
        "immersion",
        ProbeTable(
            arrangement="immersion",
            radius_mm=3.0,
            path_mm=8.0,
            path_wander_mm=0.3,
            phase_deg=20.0,
            delay_us=0.35,
        ),
        RecordTable(samples=2700, start_us=9.5, bits=14),
        ("10.3", "12.2"),
        (3.0, 8.0, 16.0, 26.0),
        ((3.0, 24.0), (28.0, 32.0), (32.0, 34.5), (34.5, 40.0)),
    ),
)
LAYERED = """
probe = {{ arrangement = "{arrangement}", frequency_mhz = 5.0, delay_us = 0.35,
          element_diameter_mm = 6.0 }}
interval = {{ mode = "{mode}", gates = ["surface", "wall"], diffraction = "{diffraction}" }}
[[gate]]
name = "surface"
start_us = {start}
stop_us = {stop}
threshold = 0.1
echo = "largest"
timing = "{timing}"
[[gate]]
name = "wall"
follows = "surface"
start_mm = {thinnest}
stop_mm = 25.0
threshold = 0.02
echo = "largest"
timing = "{timing}"
""".replace("\n          ", " ")
DUAL = """
probe = {{ arrangement = "dual", frequency_mhz = 5.0, delay_us = 0.35, wedge_height_mm = {height},
           wedge_velocity_mm_per_us = {wedge}, roof_deg = {roof}, element_width_mm = 5.0,
           element_length_mm = 8.0, element_gap_mm = {gap} }}
filter = {{ kind = "band_pass", low_mhz = 1.5, high_mhz = 9.0 }}
interval = {{ mode = "{mode}", gates = ["wall"] }}
[[gate]]
name = "wall"
start_mm = -1.0
stop_mm = 30.0
echo = "first_arrival"
""".replace("\n           ", " ")


def layered(mode: str = "whole_record", arrangement: str = "delay_line", **other: str) -> Procedure:
    """Return the procedure of a delay-line or immersion probe."""
    start, stop = ("8.0", "11.0") if arrangement == "delay_line" else ("22.0", "33.0")
    spread = "round_element" if mode == "whole_record" else "none"
    thinnest = "0.3" if mode == "whole_record" else "2.0"
    values = {"diffraction": spread, "start": start, "stop": stop, "thinnest": thinnest} | other
    values["timing"] = "peak" if mode == "whole_record" else "correlation"
    return Procedure.from_text(LAYERED.format(arrangement=arrangement, mode=mode, **values))


def plates(seed: int, *, noise: float, gain: float = 0.5, **walls: object) -> Scenario:
    """Return plates behind a delay line, the first back-wall echo 0.07 of full scale."""
    return Scenario(
        seed=seed,
        record=RecordTable(samples=1000, start_us=8.0, bits=14),
        probe=ProbeTable(
            arrangement="delay_line", radius_mm=3.0, path_mm=12.0, phase_deg=20.0, delay_us=0.35
        ),
        stack=StackTable(),
        wall=WallTable(**walls),  # type: ignore[arg-type]
        receiver=ReceiverTable(gain=gain, noise=noise, jitter_ns=2.0, gain_spread_db=1.0),
    )


def scan_of(made: Synthesis) -> Scan:
    full = made.full_scale
    return Scan.from_array(
        made.waveforms(),
        sample_rate_mhz=made.scenario.record.sample_rate_mhz,
        start_time_us=made.scenario.record.start_us,
        full_scale=full,
        clip_low=-full,
        clip_high=full - 1.0,
    )


def told(name: str, readings: Readings, truth: FloatArray) -> None:
    """Print one line of figures."""
    refused = is_fatal(readings.flags)
    if refused.all():
        print(f"{name:<44} {100.0:6.2f}")
        return
    error, u = (
        1e3 * (readings.thickness_mm - truth)[~refused],
        1e3 * readings.u_on_block_mm[~refused],
    )
    wrong = value_wrong(
        readings.thickness_mm,
        np.stack([truth, truth]),
        readings.columns["expanded_on_block_mm"],
        EIGHTH_MM,
    )
    care = (readings.flags[~refused] != 0).mean() if error.size else np.nan
    gross = int((wrong & ~refused).sum())
    print(
        f"{name:<44} {100 * refused.mean():6.2f} {100 * care:6.1f} {gross:5d} "
        f"{np.sqrt(np.mean(error**2)):8.2f} {np.abs(error).max():9.2f} {error.mean():+7.2f} "
        f"{np.std(error / u):7.2f} {100 * np.mean(np.abs(error) < 1.96 * u):6.1f}"
    )


def run(name: str, how: Procedure, block: Scenario, walls: Scenario) -> None:
    made, fit = Synthesis(walls), _calibrated(block, how)
    readings = measure(scan_of(made), how, fit)
    told(name, readings, np.asarray(made.truth_columns()["true_mean_mm"]))


def ladder(rows: int, seed: int) -> None:
    for snr in (10, 15, 20, 25, 30, 35, 40, 45, 50):
        noise = WALL_HEIGHT * 10.0 ** (-snr / 20.0)
        block = plates(
            seed + snr,
            noise=min(noise, WALL_HEIGHT / 100.0),
            steps_mm=tuple(STEPS_MM),
            readings=READINGS,
        )
        walls = plates(seed + 100 + snr, noise=noise, uniform_mm=(0.8, 20.0), count=rows)
        run(f"layered 0.8-20 mm, {snr} dB", layered(), block, walls)
        if snr in (30, 45):
            thick = dataclasses.replace(walls, wall=WallTable(uniform_mm=(3.0, 20.0), count=rows))
            for_single = dataclasses.replace(block, wall=SINGLE_BLOCK)
            how = layered("interface_to_echo")
            run(f"  single echoes, 3-20 mm, {snr} dB", how, for_single, thick)


def ablations(rows: int, seed: int) -> None:
    noise = WALL_HEIGHT * 10.0 ** (-40.0 / 20.0)
    block = plates(seed, noise=noise, steps_mm=tuple(STEPS_MM), readings=READINGS)
    walls = plates(seed + 1, noise=noise, uniform_mm=(3.0, 20.0), count=rows)
    run("40 dB, 3-20 mm: all", layered(), block, walls)
    run("  no diffraction", layered(diffraction="none"), block, walls)
    # So short a record that it holds one back-wall echo: what the train brings.
    one = plates(seed + 1, noise=noise, uniform_mm=(12.0, 20.0), count=rows)
    run("  one echo only (12-20 mm)", layered(), block, one)
    for_single = dataclasses.replace(block, wall=SINGLE_BLOCK)
    run("  surface to first echo, matched", layered("interface_to_echo"), for_single, walls)
    nominal_pulse(rows, seed)


def nominal_pulse(rows: int, seed: int) -> None:
    """Print what is left where the pulses are the nominal Gaussian, not learned."""
    learn = record_learning.learn

    def fixed(family: Any, records: Any, estimate: Any, **_: Any) -> Any:
        basis = family.frequencies.basis
        after_us = (np.arange(basis.size) - basis.before) / basis.sample_rate_mhz
        sigma_us = SIGMA_OVER_BANDWIDTH / basis.bandwidth / basis.frequency_mhz
        pulse = np.cos(2.0 * np.pi * basis.frequency_mhz * after_us)
        coefficients = basis.fitted(pulse * np.exp(-0.5 * (after_us / sigma_us) ** 2))
        estimate.pulses = np.stack([coefficients, coefficients])
        return learn(family, records, estimate, fixed_pulse=True)

    noise = WALL_HEIGHT * 10.0 ** (-40.0 / 20.0)
    block = plates(seed, noise=noise, steps_mm=tuple(STEPS_MM), readings=READINGS)
    walls = plates(seed + 1, noise=noise, uniform_mm=(3.0, 20.0), count=rows)
    with mock.patch.object(record_learning, "learn", fixed):
        run("  nominal pulse", layered(), block, walls)


def conditions(rows: int, seed: int) -> None:
    noise = WALL_HEIGHT * 10.0 ** (-38.0 / 20.0)
    block = plates(seed, noise=noise, steps_mm=tuple(STEPS_MM), readings=READINGS)
    film = dataclasses.replace(block, stack=StackTable(couplant_mm=0.02))
    walls = plates(seed + 3, noise=noise, uniform_mm=(0.8, 20.0), count=rows)
    walls = dataclasses.replace(walls, stack=StackTable(couplant_mm=0.03))
    run("film 30 µm, on the block 20 µm", layered(), film, walls)
    wet = block_of("immersion", seed)
    for name, gain in (("", 0.6), (", interface echo clipped", 2.2)):
        walls = plates(seed + 4, noise=0.001, gain=gain, uniform_mm=(1.5, 20.0), count=rows)
        walls = dataclasses.replace(walls, probe=WATER, record=WET)
        run(f"immersed, water path moving{name}", layered(arrangement="immersion"), wet, walls)


def block_of(arrangement: str, seed: int) -> Scenario:
    """Return steps behind a delay line or in water, bare, at 38 dB."""
    noise = WALL_HEIGHT * 10.0 ** (-38.0 / 20.0)
    if arrangement == "delay_line":
        return plates(seed, noise=noise, steps_mm=tuple(STEPS_MM), readings=READINGS)
    steps = WallTable(steps_mm=(3.0, 6.0, 12.0, 20.0), readings=5)
    dry = plates(seed, noise=noise)
    return dataclasses.replace(dry, probe=WATER, record=WET, wall=steps)


def coatings(rows: int, seed: int) -> None:
    """Print coated walls, block bare, over several calibrations of each path.

    The procedure says 2.5 mm/µs, whatever the coating's velocity is.
    """
    count = max(rows // 50, 2)
    for arrangement, noise, gain in (
        ("delay_line", WALL_HEIGHT * 10.0 ** (-38.0 / 20.0), 0.5),
        ("immersion", 0.001, 0.6),
    ):
        text = layered(arrangement=arrangement).text
        how = Procedure.from_text(text + "\n[coating]\nvelocity_mm_per_us = 2.5\n")
        blocks = [block_of(arrangement, seed + 100 * k) for k in range(count)]
        fits = [_calibrated(block, how) for block in blocks]
        together = []
        for line, (coating_mm, velocity) in enumerate(COATINGS):
            paint = StackTable(coating_mm=coating_mm, coating_velocity_mm_per_us=velocity)
            found = []
            for k, fit in enumerate(fits):
                own = seed + 100 * k + line + 1
                walls = plates(own, noise=noise, gain=gain, uniform_mm=(1.0, 20.0), count=15)
                if arrangement == "immersion":
                    walls = dataclasses.replace(walls, probe=WATER, record=WET)
                made = Synthesis(dataclasses.replace(walls, stack=paint))
                truth = np.asarray(made.truth_columns()["true_mean_mm"])
                found.append((measure(scan_of(made), how, fit), truth))
            _told_together(f"{arrangement}, {coating_mm:g} mm at {velocity:g} mm/µs", found)
            together += found
        _told_together(f"{arrangement}, {count} calibrations together", together)


def repeats(rows: int, seed: int) -> None:
    """Print walls ahead of, on and beyond the path's repeat, and without its filter learned.

    A line of 6 mm repeats itself as 13.3 mm of steel would, 8 mm of water as 31.7.
    """
    noise = WALL_HEIGHT * 10.0 ** (-38.0 / 20.0)
    for arrangement, probe, record, gate, steps, spans in SHORT_PATHS:
        start, stop = gate
        text = layered(arrangement=arrangement, start=start, stop=stop).text
        how = Procedure.from_text(text.replace("stop_mm = 25.0", "stop_mm = 40.0"))
        block = plates(seed, noise=noise, steps_mm=steps, readings=READINGS)
        fit = _calibrated(dataclasses.replace(block, probe=probe, record=record), how)
        assert fit.record_model is not None
        plain = dataclasses.replace(fit.record_model, second_trip=np.empty(0))
        for name, calibration in (
            ("", fit),
            (", not learned", dataclasses.replace(fit, record_model=plain)),
        ):
            for k, span in enumerate(spans):
                walls = plates(seed + k + 1, noise=noise, uniform_mm=span, count=rows)
                made = Synthesis(dataclasses.replace(walls, probe=probe, record=record))
                readings = measure(scan_of(made), how, calibration)
                truth = np.asarray(made.truth_columns()["true_mean_mm"])
                told(f"{arrangement}, {span[0]:g} to {span[1]:g} mm{name}", readings, truth)


def card(roof: float, off: FloatArray) -> dict[str, float]:
    """Return a dual probe's dimensions as its card gives them, off by so much of what is usual."""
    return {
        "height": 8.0 * (1.0 + 0.03 * off[0]),
        "wedge": 2.35 * (1.0 + 0.01 * off[1]),
        "roof": max(roof + off[2], 0.0),
        "gap": 1.0 + 0.2 * off[3],
    }


def dual(rows: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    for roof in (0.0, 3.5, 8.0):
        for name, off in (("right", 0.0), ("off", 1.0)):
            values = card(roof, np.full(4, off))
            for snr in (30.0, 45.0):
                for mode in ("whole_record", "time_zero_to_echo"):
                    how = Procedure.from_text(DUAL.format(mode=mode, **values))
                    steps = np.repeat([1.0, 3.0, 10.0, 25.0], READINGS)
                    fit = calibrate(_heard(rng, steps, roof, snr), how, steps, u_known_mm=U_STEP_MM)
                    truth = rng.uniform(2.0, 25.0, rows)
                    readings = measure(_heard(rng, truth, roof, snr), how, fit)
                    kind = "  head alone" if mode != "whole_record" else "dual"
                    told(f"{kind}, roof {roof:g}°, card {name}, {snr:g} dB", readings, truth)


def many_calibrations(rows: int, seed: int) -> None:
    """Print what u covers where each calibration gives 25 walls only: it is its error, too.

    Cards of dual probes are off by up to what is usual, each its own way.
    """
    rng = np.random.default_rng(seed)
    count = max(rows // 20, 4)
    for snr in (30.0, 45.0):
        noise = WALL_HEIGHT * 10.0 ** (-snr / 20.0)
        found = []
        for k in range(count):
            block = plates(seed + 7 * k, noise=noise, steps_mm=tuple(STEPS_MM), readings=READINGS)
            fit = _calibrated(block, layered())
            walls = Synthesis(
                plates(seed + 7 * k + 1, noise=noise, uniform_mm=(0.8, 20.0), count=25)
            )
            readings = measure(scan_of(walls), layered(), fit)
            found.append((readings, np.asarray(walls.truth_columns()["true_mean_mm"])))
        _told_together(f"{count} calibrations, layered, {snr:g} dB", found)
    for snr in (30.0, 45.0):
        for mode in ("whole_record", "time_zero_to_echo"):
            found = []
            for _ in range(count):
                roof, off = rng.choice([0.0, 3.5, 8.0]), rng.uniform(-1.0, 1.0, 4)
                how = Procedure.from_text(DUAL.format(mode=mode, **card(roof, off)))
                steps = np.repeat([1.0, 3.0, 10.0, 25.0], READINGS)
                fit = calibrate(_heard(rng, steps, roof, snr), how, steps, u_known_mm=U_STEP_MM)
                truth = rng.uniform(2.0, 25.0, 25)
                found.append((measure(_heard(rng, truth, roof, snr), how, fit), truth))
            kind = "dual" if mode == "whole_record" else "dual, head alone"
            _told_together(f"{count} calibrations, {kind}, {snr:g} dB", found)


def _calibrated(block: Scenario, how: Procedure) -> Calibration:
    steps = Synthesis(block)
    known = np.asarray(steps.truth_columns()["true_mean_mm"])
    return calibrate(scan_of(steps), how, known, u_known_mm=U_STEP_MM)


def _told_together(name: str, found: list[tuple[Readings, FloatArray]]) -> None:
    names = ("thickness_mm", "u_on_block_mm", "expanded_on_block_mm", "flags")
    columns = {column: np.concatenate([r.columns[column] for r, _ in found]) for column in names}
    told(name, Readings(columns), np.concatenate([truth for _, truth in found]))


def _heard(rng: np.random.Generator, thickness: FloatArray, roof: float, snr_db: float) -> Scan:
    """Return records of walls, noise against the largest sample of each record's first echo."""
    made = Synthesis(
        Scenario(
            record=RecordTable(samples=1900, start_us=4.0, bits=16),
            probe=ProbeTable(arrangement="dual", roof_deg=roof, delay_us=0.35),
            wall=WallTable(steps_mm=tuple(thickness.tolist())),
            receiver=ReceiverTable(gain=0.4, noise=0.0),
        )
    )
    first = dataclasses.replace(
        made.scenario, probe=dataclasses.replace(made.scenario.probe, echoes=1, conversion=0.0)
    )
    own = np.abs(Synthesis(first).waveforms().astype(np.float64)).max(axis=1, keepdims=True)
    clean = made.waveforms().astype(np.float64)
    noisy = clean + own * 10.0 ** (-snr_db / 20.0) * rng.standard_normal(clean.shape)
    return Scan.from_array(
        np.rint(noisy).clip(-32768, 32767).astype(np.int16),
        sample_rate_mhz=100.0,
        start_time_us=4.0,
        full_scale=2**15,
    )


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    first_seed = int(sys.argv[2]) if len(sys.argv) > 2 else 7000
    print(f"{'':<44} refused  care % gross  rms µm   most µm    bias   err/u  in 95")
    ladder(count, first_seed)
    ablations(count, first_seed)
    conditions(count, first_seed)
    coatings(count, first_seed)
    repeats(max(count // 4, 80), first_seed)
    dual(count, first_seed)
    many_calibrations(count, first_seed)
