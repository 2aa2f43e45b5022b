"""Ordinary work: what a sound day's measuring meets, for every arrangement and mode.

Nothing in it misleads. From place to place coupling changes by ±10 dB, grain stands 20 to 30 dB
below the echo, water warms and its path drifts, front echoes clip, the gain is changed by 6 dB
(told in the column ``gain_db``) or grows with time on block and component alike, walls are a
little rough and slope a little, the component's velocity is up to 0.3 % off the block's (and the
procedure says so), records have 8 to 14 bits at 25 to 100 MHz, blocks two to five steps of one to
five records. Modes that model the path or the whole record are given four or five steps, as they
ask for. Grain is counted by its peaks, three times its rms. All is drawn by a seed.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from ascan_synthetic.synthesis import Synthesis
from ascan_synthetic.tables import Scenario, WallTable
from in_sight import echo_db, echo_peak
from setups import (
    BETWEEN,
    SECOND,
    TO_ECHO,
    TRAIN,
    WHOLE,
    behind_line,
    by_line,
    dual,
    in_contact,
    in_water,
    known_of,
    of_dual,
    scan_of,
    thin_in_contact,
    wet,
)
from setups import CONTACT as CONTACT_TEXT
from trial import Trial

from ascan import Procedure
from ascan.kernels.arrays import FloatArray

# Of ±0.3 %, evenly spread, the standard deviation.
VELOCITY_OFF, VELOCITY_U_PERCENT = 0.003, 0.17
ONCE_MM = 6.0


@dataclass(frozen=True, slots=True)
class Way:
    """One arrangement and mode: its procedure's text, its clean signals, and its walls."""

    text: str
    clean: Callable[[], Scenario]
    walls_mm: tuple[float, float]
    least_steps: int = 2


@dataclass(frozen=True, slots=True)
class Day:
    """What one scenario has drawn.

    Attributes
    ----------
    rate_mhz, bits : float, int
    height : float
        Of the echo of a usual wall, fraction of full scale.
    grain_db, noise_db : float
        How far grain's peaks and noise's rms lie below that echo.
    gain_db : float
        Of the component against the block.
    time_gain_db_per_us : float
        Of both.
    velocity, rough_mm, tilt_deg, warm_c : float
        Component's velocity over the block's; its roughness and slope; its and the water's warmth.
    clipped : bool
        Whether the gain lets front echoes clip.
    steps_mm : tuple of float
    readings : int
    """

    rate_mhz: float
    bits: int
    height: float
    grain_db: float
    noise_db: float
    gain_db: float
    time_gain_db_per_us: float
    velocity: float
    rough_mm: float
    tilt_deg: float
    warm_c: float
    clipped: bool
    steps_mm: tuple[float, ...]
    readings: int


def largest_in(text: str) -> str:
    """Return a text whose single echoes are the largest in their gates, grain ahead of them."""
    return text.replace('half_cycles = "negative"', 'half_cycles = "negative"\necho = "largest"')


WAYS: dict[str, Way] = {
    "contact": Way(largest_in(CONTACT_TEXT), in_contact, (3.0, 19.0)),
    "surface to echo": Way(by_line(TO_ECHO, "correlation"), behind_line, (3.0, 19.0)),
    "whole record": Way(by_line(WHOLE, "peak"), behind_line, (2.2, 19.0), 4),
    "water, surface to echo": Way(wet(by_line(TO_ECHO, "correlation")), in_water, (3.0, 19.0)),
    "water, echo to echo": Way(
        wet(by_line(BETWEEN, "peak")) + SECOND + 'echo = "largest"\n', in_water, (3.0, 19.0)
    ),
    "water, whole record": Way(wet(by_line(WHOLE, "peak")), in_water, (2.2, 19.0), 4),
    "train": Way(TRAIN, thin_in_contact, (0.9, 1.9)),
    "dual head": Way(dual("time_zero_to_echo"), of_dual, (2.2, 19.0), 4),
    "dual whole": Way(dual("whole_record"), of_dual, (2.2, 19.0), 4),
}


def drawn(way: Way, rng: np.random.Generator) -> Day:
    """Draw one scenario."""
    low, high = way.walls_mm
    count = int(rng.integers(way.least_steps, 6))
    # The ends of the range are among the steps, the others lie between them.
    inner = np.geomspace(0.9 * low, 1.05 * high, count)[1:-1] * rng.uniform(0.95, 1.05, count - 2)
    steps = np.round([0.9 * low, *inner, 1.05 * high], 2)
    behind_path = way.clean().probe.arrangement in ("delay_line", "immersion")
    clipped = bool(behind_path and rng.random() < 0.4)
    time_gain = float(rng.choice([0.0, 0.0, 0.5, 1.0]))
    return Day(
        rate_mhz=float(rng.choice([25.0, 50.0, 100.0])),
        bits=int(rng.choice([8, 10, 12, 14])),
        height=float(rng.uniform(0.2, 0.35)) if clipped or not behind_path else 0.08,
        grain_db=float(rng.uniform(20.0, 30.0)),
        noise_db=float(rng.uniform(34.0, 46.0)),
        gain_db=float(rng.choice([0.0, 6.0, -6.0])) if not time_gain else 0.0,
        time_gain_db_per_us=time_gain,
        velocity=1.0 + VELOCITY_OFF * float(rng.uniform(-1.0, 1.0)),
        rough_mm=float(rng.choice([0.0, 0.02, 0.04])),
        tilt_deg=float(rng.uniform(0.0, 0.7)),
        warm_c=float(rng.uniform(-5.0, 10.0)),
        clipped=clipped,
        steps_mm=tuple(float(step) for step in steps),
        readings=int(rng.integers(1, 6)),
    )


def received(way: Way, day: Day, peak: float) -> Scenario:
    """Return the block's signals: gain for the wanted height, noise and grain below it.

    ``peak`` is how high the echo of a usual wall stands at the gain of the clean signals.
    """
    clean = way.clean()
    rate = day.rate_mhz / clean.record.sample_rate_mhz
    gain = clean.receiver.gain * day.height / peak
    grain = day.height / gain * 10.0 ** (-day.grain_db / 20.0) / 3.0
    # Grain fades with depth: what is meant is its height where the usual echo comes.
    grain *= np.exp(2.0 * usual_mm(way) / 5.92 / clean.receiver.grain_decay_us)
    return dataclasses.replace(
        clean,
        record=dataclasses.replace(
            clean.record, sample_rate_mhz=day.rate_mhz, bits=day.bits,
            samples=round(rate * clean.record.samples),
        ),
        receiver=dataclasses.replace(
            clean.receiver, gain=gain, grain=float(grain), gain_spread_db=3.0, jitter_ns=0.0,
            noise=day.height * 10.0 ** (-day.noise_db / 20.0),
            time_gain_db_per_us=day.time_gain_db_per_us,
            time_gain_from_us=clean.record.start_us,
        ),
    )  # fmt: skip


def usual_mm(way: Way) -> float:
    """Return the wall whose echo the gain is set by: the middle of the range, by ratio."""
    return float(np.sqrt(way.walls_mm[0] * way.walls_mm[1]))


def usual_peak(way: Way, day: Day, procedure: Procedure) -> float:
    """Return how high the last timed echo of a usual wall stands at the clean signals' gain."""
    clean = way.clean()
    table = dataclasses.replace(
        clean.receiver, gain_spread_db=0.0, time_gain_db_per_us=day.time_gain_db_per_us,
        time_gain_from_us=clean.record.start_us,
    )  # fmt: skip
    wall = WallTable(steps_mm=(usual_mm(way),))
    made = Synthesis(dataclasses.replace(clean, receiver=table, wall=wall))
    return float(echo_peak(made, np.arange(1), procedure)[0])


def component_of(way: Way, day: Day, block: Scenario, seed: int, rows: int) -> Scenario:
    """Return the component's signals."""
    spread = 3.0 if way.clean().probe.arrangement == "dual" else 6.0
    probe = dataclasses.replace(
        block.probe, footprint_mm=3.0, footprint_rings=round(spread),
        path_wander_mm=1.5 if block.probe.arrangement == "immersion" else 0.0,
        temperature_c=20.0 + day.warm_c,
    )  # fmt: skip
    stack = dataclasses.replace(
        block.stack, wall_velocity_mm_per_us=5.92 * day.velocity, wall_temperature_c=20.0
    )
    wall = WallTable(
        uniform_mm=way.walls_mm, count=rows, tilt_deg=day.tilt_deg, rough_rms_mm=day.rough_mm,
        rough_correlation_mm=1.5,
    )  # fmt: skip
    receiver = dataclasses.replace(
        block.receiver, gain=block.receiver.gain * 10.0 ** (day.gain_db / 20.0), gain_spread_db=10.0
    )
    return dataclasses.replace(
        block, seed=seed, probe=probe, stack=stack, wall=wall, receiver=receiver
    )


def stated(way: Way, day: Day) -> Procedure:
    """Return the procedure with the component's velocity stated, thresholds below weak echoes."""
    text = way.text.replace(
        "component_velocity_percent = 0.1", f"component_velocity_percent = {VELOCITY_U_PERCENT}"
    )
    # 10 dB of coupling and 6 dB of gain down, a tenth of the echo is 24 dB below the usual one.
    level = max(0.06 * day.height, 2.5 / 2.0 ** (day.bits - 1))
    for old in ("threshold = 0.01\n", "threshold = 0.015\n", "threshold = 0.005\n"):
        text = text.replace(old, f"threshold = {level:.4f}\n")
    nyquist = 0.5 * day.rate_mhz
    assert nyquist > 9.0, "no filter of these procedures reaches beyond 9 MHz"
    return Procedure.from_text(text)


def scenario(name: str, seed: int, rows: int, number: int) -> Trial:
    """Return one scenario of ordinary work; ``number`` tells those of one seed apart."""
    way = WAYS[name]
    rng = np.random.default_rng([seed, number, list(WAYS).index(name)])
    day = drawn(way, rng)
    procedure = stated(way, day)
    received_ = received(way, day, usual_peak(way, day, procedure))
    own = int(rng.integers(2**31))
    on_steps = WallTable(steps_mm=day.steps_mm, readings=day.readings)
    block = Synthesis(dataclasses.replace(received_, seed=own, wall=on_steps))
    made = Synthesis(component_of(way, day, received_, own + 1, rows))
    truth = {key: np.asarray(made.truth_columns()[f"true_{key}_mm"])
             for key in ("axis", "mean", "least")}  # fmt: skip

    def above_noise() -> FloatArray:
        return echo_db(made, np.arange(len(made)), procedure)

    return Trial(
        name, procedure, scan_of(block, block.waveforms(), gain_db=np.full(len(block), 40.0)),
        known_of(block),
        scan_of(made, made.waveforms(), gain_db=np.full(len(made), 40.0 + day.gain_db)),
        truth["axis"], truth["mean"], truth["least"], f"scenario {number}", None, above_noise,
    )  # fmt: skip


def ordinary(name: str, seed: int, rows: int, count: int) -> Iterator[Trial]:
    """Yield scenarios of one arrangement and mode."""
    for number in range(count):
        yield scenario(name, seed, rows, number)
