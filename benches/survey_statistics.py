"""What is decided and told by readings, against drawn truth: one table for each kind of sentence.

    python benches/survey_statistics.py [--seed N] [--trials N] [--write]

False acceptance at the minimum, of steels off the block's velocity; the area below a limit. Times
are drawn (`drawn_times`); fit, thickness, uncertainty and verdict are the
engine's own. ``--write`` puts the tables into ``benches/results.md``.
"""

from __future__ import annotations

import argparse
import datetime
from collections.abc import Callable, Iterator

import numpy as np
from drawn_times import Case, block_errors_mm, calibration_of, step_times_us, times_us
from scipy.ndimage import gaussian_filter
from stated_coverage import keep

from ascan import Procedure
from ascan.engine.read import Interval
from ascan.engine.thickness_stage import ThicknessStage
from ascan.examples import PROCEDURE
from ascan.kernels.arrays import FloatArray
from ascan.survey.below import Ground
from ascan.uncertainty.allowances import HALF_WIDTH_MM_PER_US
from ascan.uncertainty.decision import Verdict

HEADING = "## What is decided and told"
SIDE, MOST_SURFACES = 40, 200
MINIMUM_MM, NOISE_US = 6.0, 1e-3
CASE = Case(readings=3, steps=4, lack="none", block="own")
HOW = Procedure.from_text(PROCEDURE + f"[decision]\nminimum_mm = {MINIMUM_MM}\n")
# How a component's velocity is off the block's, in percent (slower steel reads thick).
OFFSETS = (0.0, 0.3, 0.7, 1.0, 1.5)


def drawn_percent(trials: int, rng: np.random.Generator) -> FloatArray:
    """Return velocities off the block's as the allowance states them: two rectangles."""
    off = rng.uniform(-1.0, 1.0, (2, trials)).sum(axis=0)
    return np.asarray(100.0 * HALF_WIDTH_MM_PER_US * off / 5.92)


def accepted(slower_percent: FloatArray, rng: np.random.Generator, how: Procedure) -> FloatArray:
    """Return which walls just below the minimum are accepted, each by a calibration of its own."""
    out = np.zeros(slower_percent.size, np.bool_)
    assert how.decision is not None
    errors_mm = block_errors_mm(CASE, slower_percent.size, rng)
    steps_us = step_times_us(CASE, slower_percent.size, rng, errors_mm)
    read_mm = (MINIMUM_MM - 1e-6) / (1.0 - 0.01 * slower_percent)
    walls_us = times_us(CASE, read_mm, rng)
    for k, times in enumerate(steps_us):
        stage = ThicknessStage(how, calibration_of(CASE, times))
        flags = np.zeros(1, np.uint32)
        found = stage.run(Interval(walls_us[k : k + 1], np.array([NOISE_US])), flags)
        verdict = how.decision.decide(
            found["thickness_mm"], found["expanded_mm"], flags, decidable=stage.decidable
        )
        out[k] = verdict[0] == Verdict.ACCEPT
    return out


def false_acceptance(trials: int, rng: np.random.Generator) -> Iterator[str]:
    """Yield how often a wall at the minimum is accepted, unstated velocity and stated as 0."""
    zero = '[uncertainty]\ncomponent_velocity_percent = 0.0\nreason = "as if it were known"\n'
    known = Procedure.from_text(HOW.text + zero)
    yield f"walls at the minimum of {MINIMUM_MM:g} mm accepted, of {trials}, % (asked: 2.5 at most)"
    yield f"{'component against block':<32}{'unstated':>10}{'as if 0':>10}"
    drawn: list[tuple[str, Callable[[], FloatArray]]] = [
        ("drawn as the allowance states", lambda: drawn_percent(trials, rng)),
        *((f"{off:g} % slower", lambda off=off: np.full(trials, off)) for off in OFFSETS),
    ]
    for name, velocities in drawn:
        shares = [100.0 * accepted(velocities(), rng, how).mean() for how in (HOW, known)]
        yield f"{name:<32}" + "".join(f"{share:>10.2f}" for share in shares)


def surface_mm(kind: str, rng: np.random.Generator) -> FloatArray:
    """Return a wall of `SIDE` squared cells: waves of 0.15 mm rms, with six pits, or even."""
    waves = gaussian_filter(rng.standard_normal((SIDE, SIDE)), 4.0)
    wall = 8.0 + 0.15 * waves / waves.std()
    if kind == "even":
        return np.full(SIDE * SIDE, 8.0)
    if kind == "pits":
        y, x = np.mgrid[:SIDE, :SIDE]
        for _ in range(6):
            at_x, at_y = rng.uniform(0.0, SIDE, 2)
            wide, deep = rng.uniform(2.0, 5.0), rng.uniform(0.5, 2.0)
            wall = wall - deep * np.exp(-((x - at_x) ** 2 + (y - at_y) ** 2) / wide**2)
    return np.asarray(wall.ravel())


def areas(trials: int, rng: np.random.Generator) -> Iterator[str]:
    """Yield how often the 95 % interval of the area below a limit holds the truth."""
    yield f"area below a limit, {SIDE}² cells, of {trials}; in 95 %, width, error, error as read"
    for kind in ("pits", "waves", "even"):
        for noise in (0.005, 0.02, 0.1):
            for common in (0.0, 0.02):
                found = np.array([area_trial(kind, noise, common, rng) for _ in range(trials)])
                inside, width, off, raw = found.mean(axis=0)
                name = f"{kind}, noise {1e3 * noise:.0f} µm, shared {1e3 * common:.0f} µm"
                yield f"{name:<36}{100.0 * inside:7.1f} %{width:8.1f}{off:+8.1f}{raw:+8.1f}"


def area_trial(
    kind: str, noise: float, common: float, rng: np.random.Generator
) -> tuple[float, float, float, float]:
    """Return whether the interval holds, its width, and errors of the estimate and as read."""
    wall = surface_mm(kind, rng)
    limit = 8.0 - rng.uniform(0.0, 2.0) * noise if kind == "even" else 8.0 - rng.uniform(-0.05, 0.2)
    read = wall + common * rng.standard_normal() + noise * rng.standard_normal(wall.size)
    told = [np.full(wall.size, value) for value in (noise, common, 1.0)]
    below = Ground(
        thickness_mm=read, u_random_mm=told[0], u_common_mm=told[1], area_mm2=told[2]
    ).below(float(limit))
    true = float((wall < limit).sum())
    held = below.from_mm2 <= true <= below.to_mm2
    width = below.to_mm2 - below.from_mm2
    return float(held), width, below.expected_mm2 - true, below.area_mm2 - true


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--trials", type=int, default=2000)
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args()
    lines = list(false_acceptance(args.trials, np.random.default_rng(args.seed)))
    lines += ["", *areas(min(args.trials, MOST_SURFACES), np.random.default_rng(args.seed))]
    print("\n".join(lines))
    if args.write:
        called = f"`python benches/survey_statistics.py --seed {args.seed} --trials {args.trials}`"
        keep(HEADING, f"{called}, {datetime.date.today()}.", lines)


if __name__ == "__main__":
    main()
