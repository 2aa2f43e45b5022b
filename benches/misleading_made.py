"""Difficulties that no table of a scenario makes: records mixed, cut or decimated, other blocks.

`MADE` holds each by its name with the set-ups that can meet it. The synthetic tower makes every
record; numpy mixes them: a mean of two records is what a probe hears that is half here and half
there (sound pressures add up); records thinned out without a filter alias; zeros are a receiver's
dead time.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence

import numpy as np
from ascan_synthetic.synthesis import Synthesis
from in_sight import echo_db, echo_us, quiet_signals
from misleading import SMALLER, changed, pitted
from setups import Setup, known_of, scan_of
from trial import Trial

from ascan import Procedure, Scan
from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.survey.wrong import Truth

Maker = Callable[[Setup, int, int], Trial]
FAST, SLOW, OTHER_MM_PER_US = 5.92, 5.80, 5.86
THIN_OUT = 8


def trial(
    setup: Setup,
    made: Synthesis,
    codes: AnyArray,
    *,
    picked: AnyArray | None = None,
    truth: Truth | None = None,
    share: FloatArray | float = 1.0,
) -> Trial:
    """Return a trial on the clean block; ``share`` is what is left of the wall's echo (0: none)."""
    rows = np.arange(len(made)) if picked is None else picked
    under = {name: np.asarray(made.truth_columns()[f"true_{name}_mm"])[rows]
             for name in ("axis", "mean", "least")}  # fmt: skip
    found = truth or Truth(under["axis"], under["mean"], under["least"])
    block = setup.block(made.scenario.seed + 7)

    def above_noise() -> FloatArray:
        lost = 20.0 * np.log10(np.maximum(share, 1e-9))
        return np.asarray(echo_db(made, rows, setup.procedure) + lost)

    return Trial(
        setup.name, setup.procedure, scan_of(block, block.waveforms()), known_of(block),
        scan_of(made, codes), found.axis_mm, found.mean_mm, found.least_mm, "",
        found.claims_mm, above_noise,
    )  # fmt: skip


def of_parts(made: Sequence[Synthesis], rng: np.random.Generator) -> AnyArray:
    """Return records, each from one of several syntheses of the same walls."""
    which = rng.integers(0, len(made), len(made[0]))
    return np.stack([each.waveforms() for each in made])[which, np.arange(len(made[0]))]


def mixed(made: Synthesis, signal: FloatArray, rng: np.random.Generator) -> AnyArray:
    """Return codes of mixed quiet signals (fractions of full scale), the receiver's noise added."""
    noisy = signal + made.scenario.receiver.noise * rng.standard_normal(signal.shape)
    full = made.full_scale
    return np.rint(noisy * full).clip(-full, full - 1.0).astype(np.int16)


def everything(made: Synthesis) -> FloatArray:
    """Return all quiet signals."""
    return quiet_signals(made, np.arange(len(made)))


def partly_coupled(setup: Setup, seed: int, rows: int, over_pits: bool, low: float) -> Trial:
    """Mix a coupled record with one on air: a share of the beam touches, the rest does not."""
    rng = np.random.default_rng([seed, 6])
    keys = pitted(setup, SMALLER) if over_pits else {}
    made = changed(setup, seed, rows, **keys)
    uncoupled = changed(setup, seed, rows, receiver={"lost_coupling": 1.0}, **keys)
    pick = np.sort(rng.choice(len(made), min(rows, len(made)), replace=False))
    share = rng.uniform(low, 0.9, (len(pick), 1))
    signal = share * quiet_signals(made, pick) + (1.0 - share) * quiet_signals(uncoupled, pick)
    return trial(setup, made, mixed(made, signal, rng), picked=pick, share=share[:, 0])


def partly_coupled_pit(setup: Setup, seed: int, rows: int) -> Trial:
    return partly_coupled(setup, seed, rows, True, 0.3)


def lifting_line(setup: Setup, seed: int, rows: int) -> Trial:
    """Mix a coupled record with one on air, from hardly touching on."""
    return partly_coupled(setup, seed, rows, False, 0.05)


def water_drops(setup: Setup, seed: int, rows: int) -> Trial:
    """Stand on drops of 0.3 to 1.2 mm at some places, on a dry film at others."""
    made = [changed(setup, seed, rows, stack={"couplant_mm": mm}) for mm in (0.0, 0.3, 0.6, 1.2)]
    return trial(setup, made[0], of_parts(made, np.random.default_rng([seed, 6])))


def varying_paint(setup: Setup, seed: int, rows: int) -> Trial:
    """Measure through paint of 0.05 to 0.5 mm, from place to place another."""
    paints = (0.05, 0.1, 0.2, 0.3, 0.5)
    made = [changed(setup, seed, rows, stack={"coating_mm": mm}) for mm in paints]
    return trial(setup, made[0], of_parts(made, np.random.default_rng([seed, 6])))


def weld_cap(setup: Setup, seed: int, rows: int) -> Trial:
    """Stand on a weld's cap: the crown touches, towards the sides the film grows as a parabola.

    The mean of five records with films of 0 to 0.32 mm; the wall is thicker there by a tenth.
    """
    films = (0.0, 0.02, 0.08, 0.18, 0.32)
    low, high = setup.walls_mm
    wall = {"uniform_mm": (1.1 * low, high)}
    made = [changed(setup, seed, rows, stack={"couplant_mm": mm}, wall=wall) for mm in films]
    signal = np.mean([everything(each) for each in made], axis=0)
    codes = mixed(made[0], signal, np.random.default_rng([seed, 6]))
    return trial(setup, made[0], codes, share=1.0 / len(films))


def two_walls(setup: Setup, seed: int, rows: int) -> Trial:
    """Average over an edge between two walls, 0.2 to 3 mm apart: either is right, none between."""
    made = changed(setup, seed, rows)
    rng = np.random.default_rng([seed, 6])
    thick = known_of(made)
    thin = np.maximum(thick - rng.uniform(0.2, 3.0, rows), setup.walls_mm[0])
    steps = {"uniform_mm": (), "count": 0, "steps_mm": tuple(thin)}
    other = changed(setup, seed, rows, wall=steps)
    share = rng.uniform(0.3, 0.7, (rows, 1))
    signal = share * everything(made) + (1.0 - share) * everything(other)
    claims = np.stack([thin, thin, thick, thick])
    truth = Truth(thick, share[:, 0] * thick + (1.0 - share[:, 0]) * thin, thin, claims)
    return trial(setup, made, mixed(made, signal, rng), truth=truth, share=share[:, 0])


def swapped_channel(setup: Setup, seed: int, rows: int) -> Trial:
    """Read another channel's probe: 0.12 µs later, its pulse turned by 40°, a little lower."""
    clean = setup.clean.probe
    probe = {"delay_us": clean.delay_us + 0.12, "phase_deg": clean.phase_deg + 40.0}
    made = changed(setup, seed, rows, probe=probe | {"centre_mhz": 4.7})
    return trial(setup, made, made.waveforms())


def dead_time(setup: Setup, seed: int, rows: int) -> Trial:
    """Hear nothing until somewhere inside the first echo of the wall.

    Contact and dual probes: from the record's begin. Behind a path: from 0.6 µs after the interface
    echo, which drives the receiver into its dead time.
    """
    made = changed(setup, seed, rows)
    rng, record = np.random.default_rng([seed, 6]), made.scenario.record
    time_us = record.start_us + np.arange(record.samples) / record.sample_rate_mhz
    rows_all, quiet = np.arange(len(made)), everything(made)
    until = echo_us(made, rows_all, setup.procedure, quiet) + rng.uniform(-0.25, 0.3, len(made))
    begin = np.full(len(made), record.start_us)
    if setup.sees_surface:
        begin = record.start_us + np.abs(quiet).argmax(axis=1) / record.sample_rate_mhz + 0.6
    dead = (time_us >= begin[:, None]) & (time_us < until[:, None])
    return trial(setup, made, np.where(dead, 0, made.waveforms()), share=0.0)


def encoder_backwards(setup: Setup, seed: int, rows: int) -> Trial:
    """Walk backwards over a wall that thins along the way: places are wrong, values are right."""
    low, high = setup.walls_mm
    made = changed(setup, seed, rows, wall={"uniform_mm": (low, high)})
    order = np.argsort(known_of(made))
    back = 1.3 * np.arange(len(made))[::-1]
    codes = made.waveforms()[order]
    backwards = scan_of(made, codes, x_mm=back, y_mm=np.zeros(len(made)))
    return trial(setup, made, codes, picked=order)._replace(component=backwards)


def on_another_block(setup: Setup, seed: int, rows: int, blocks: Sequence[Synthesis]) -> Trial:
    """Measure clean plates on steps that come from several blocks in turn."""
    made = changed(setup, seed, rows)
    known = known_of(blocks[0])
    from_block = np.searchsorted(setup.steps_mm, known) % len(blocks)
    codes = np.stack([each.waveforms() for each in blocks])[from_block, np.arange(len(known))]
    return trial(setup, made, made.waveforms())._replace(block=scan_of(blocks[0], codes))


def blocks_of(setup: Setup, seed: int, velocities: Sequence[float]) -> list[Synthesis]:
    """Return the clean block in several steels."""
    clean = setup.clean
    found = []
    for velocity in velocities:
        stack = dataclasses.replace(clean.stack, wall_velocity_mm_per_us=velocity)
        found.append(dataclasses.replace(setup, clean=dataclasses.replace(clean, stack=stack)))
    return [each.block(seed) for each in found]


def block_of_another_velocity(setup: Setup, seed: int, rows: int) -> Trial:
    """Calibrate on steel of 5.80 mm/µs, measure steel of 5.92: no waveform shows it."""
    return on_another_block(setup, seed, rows, blocks_of(setup, seed, [SLOW]))


def two_blocks(setup: Setup, seed: int, rows: int) -> Trial:
    """Calibrate on steps of two blocks, of 5.92 and 5.80 mm/µs, in turn."""
    return on_another_block(setup, seed, rows, blocks_of(setup, seed, [FAST, SLOW]))


def steps_swapped(setup: Setup, seed: int, rows: int) -> Trial:
    """Label the second and the third step by each other's thickness."""
    made = changed(setup, seed, rows)
    found = trial(setup, made, made.waveforms())
    labels = list(setup.steps_mm)
    labels[1], labels[2] = labels[2], labels[1]
    step = np.searchsorted(setup.steps_mm, found.known_mm)
    return found._replace(known_mm=np.array(labels)[step])


def aliased(setup: Setup, seed: int, rows: int) -> Trial:
    """Store every eighth sample, block and component alike: 12.5 MHz for a band up to 8 MHz.

    The filter's upper edge comes down below the Nyquist frequency with it, as the engine asks.
    """
    made = changed(setup, seed, rows)
    found = trial(setup, made, made.waveforms())

    def thinned(scan: Scan) -> Scan:
        whole = scan.rows.read_block(0, len(scan))
        rails = scan.recording
        return Scan.from_array(
            np.ascontiguousarray(whole[:, ::THIN_OUT]),
            sample_rate_mhz=rails.sample_rate_mhz / THIN_OUT,
            start_time_us=scan.start_time_us,
            full_scale=rails.full_scale, clip_low=rails.clip_low, clip_high=rails.clip_high,
        )  # fmt: skip

    text = setup.procedure.text
    for edge in ("8.0", "9.0"):
        text = text.replace(f"high_mhz = {edge}", "high_mhz = 6.0")
    return found._replace(
        procedure=Procedure.from_text(text),
        block=thinned(found.block),
        component=thinned(found.component),
    )


def always(setup: Setup) -> bool:
    return True


def single(setup: Setup) -> bool:
    return setup.arrangement != "dual"


def dry(setup: Setup) -> bool:
    return setup.arrangement in ("contact", "delay_line")


MADE: dict[str, tuple[Callable[[Setup], bool], Maker]] = {
    "pit, partly coupled": (always, partly_coupled_pit),
    "line lifts": (lambda setup: setup.arrangement == "delay_line", lifting_line),
    "water drops": (dry, water_drops),
    "paint varies": (single, varying_paint),
    "weld cap": (dry, weld_cap),
    "two walls averaged": (always, two_walls),
    "channel swapped": (always, swapped_channel),
    "dead time": (always, dead_time),
    "encoder backwards": (always, encoder_backwards),
    "block 2 % slow": (always, block_of_another_velocity),
    "two blocks": (always, two_blocks),
    "steps mislabelled": (always, steps_swapped),
    "aliased": (always, aliased),
}


def made_trials(setup: Setup) -> dict[str, Maker]:
    """Return what a set-up can meet, by name."""
    return {name: make for name, (meets, make) in MADE.items() if meets(setup)}
