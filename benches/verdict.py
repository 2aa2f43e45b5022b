"""What becomes of readings in ordinary work and where something misleads, in one table.

    python benches/verdict.py [--seed N] [--rows N] [--only WORD] [--jobs N] [--write]

Counts of readings by set-up: right and unmarked, right and marked (and which flag stands alone),
wrong and marked, wrong and unmarked, a thinner wall hidden, refused, and refused though an echo
stands 15 dB above noise; then how likely a value was said to be wrong beside how often it was, and
what each mark brings alone. Wrong is as in `ascan.survey.wrong`. ``--rows`` are records per cell: a
scenario of ordinary work, or a difficulty of one set-up. A block that `calibrate` refuses refuses
every record of its cell. ``--write`` puts the table into `results.md`. No wall time.

A yardstick is a name and a callable that yields trials for a seed and a number of rows: one entry
in `YARDSTICKS`. Records of another physics become trials by `trial.of_records`.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
from counts import Counts
from in_sight import echo_db
from measured import ALUMINIUM, ELEMENT_WAYS, STEEL, WATER_WAYS, of_elements, of_steps
from misleading import Difficulty, Signals, difficulties, signals
from misleading_made import made_trials
from ordinary import WAYS, ordinary
from other_physics import GROUND, LAYERED, of_ground, of_layered
from plane_trials import OTHER, PLAIN, PLANE, of_plane
from reliability import FITTED, Told, fitted_shares, marks_table, reliability_table
from setups import U_STEP_MM, Setup, every_setup, known_of, scan_of
from trial import Trial
from verdict_table import IN_SIGHT_DB, RESULTS, Found, line_of, table_of, written

from ascan import Calibration, Procedure, Scan, calibrate, measure
from ascan.base.errors import AscanError
from ascan.base.flags import Flag
from ascan.kernels.arrays import BoolArray, FloatArray
from ascan.survey.wrong import (
    HIDDEN_MM,
    REFUSED,
    WRONG_UNMARKED,
    Verdicts,
    eighth_mm,
    off_mm,
    verdicts,
)

SCENARIOS = 20
# Seeds of cells are so far apart that no two share walls or noise.
APART = 1000
Trials = Callable[[int, int], Iterator[Trial]]


@dataclass(frozen=True, slots=True)
class Yardstick:
    """Signals of known truth, by name: ``trials(seed, rows)`` yields what is to be judged.

    ``group`` is what the table joins it under: ordinary, misleading, or a physics of its own.
    """

    group: str
    name: str
    trials: Trials


def of_difficulty(setup: Setup, difficulty: Difficulty, found: Signals, block: Scan) -> Trial:
    """Return the trial of a difficulty that the scenario's tables make."""

    def above_noise() -> FloatArray:
        if not difficulty.owed:
            return np.full(len(found.codes), -np.inf)
        return echo_db(found.made, found.picked, setup.procedure)

    steps = np.repeat(setup.steps_mm, 4)
    return Trial(
        setup.name, setup.procedure, block, steps, scan_of(found.made, found.codes),
        found.under("axis"), found.under("mean"), found.least_mm, difficulty.name,
        found.claims_mm, above_noise,
    )  # fmt: skip


def misleading(name: str, seed: int, rows: int) -> Iterator[Trial]:
    """Yield every difficulty that a set-up can meet, all of tables on one block."""
    setup = every_setup()[name]()
    made = setup.block(seed)
    block = scan_of(made, made.waveforms())
    assert np.array_equal(known_of(made), np.repeat(setup.steps_mm, 4))
    for k, difficulty in enumerate(difficulties(setup)):
        found = signals(setup, difficulty, seed + 1 + k, rows)
        yield of_difficulty(setup, difficulty, found, block)
    for k, (what, make) in enumerate(made_trials(setup).items()):
        trial = make(setup, seed + 501 + k, rows)
        yield trial._replace(what=what, block=block if plain(what) else trial.block)


def plain(what: str) -> bool:
    """Return whether a made difficulty leaves the block as it is."""
    return what not in ("block 2 % slow", "two blocks", "aliased")


def of_ordinary(name: str, seed: int, rows: int) -> Iterator[Trial]:
    return ordinary(name, seed, rows, SCENARIOS)


YARDSTICKS: list[Yardstick] = [
    *(Yardstick("ordinary", name, partial(of_ordinary, name)) for name in WAYS),
    *(Yardstick("misleading", name, partial(misleading, name)) for name in every_setup()),
    *(Yardstick("layered media", name, partial(of_layered, name)) for name in LAYERED),
    *(Yardstick("corroded ground", name, partial(of_ground, name)) for name in GROUND),
    *(
        Yardstick(group, name, partial(of_plane, name, walls))
        for group, walls in (
            ("elastic, plain walls", PLAIN),
            ("elastic, corroded or disturbed", OTHER),
        )
        for name in PLANE
    ),
    # Measured waveforms are not everywhere.
    *(
        Yardstick("measured", f"{block}, {name}", partial(trials, name))
        for path, block, ways, trials in (
            (STEEL, "steel", WATER_WAYS, of_steps),
            (ALUMINIUM, "aluminium", ELEMENT_WAYS, of_elements),
        )
        if path.is_file()
        for name in ways
    ),
]


class Calibrations:
    """The calibration of a trial, made once for trials in a row that share a block."""

    def __init__(self) -> None:
        self._block: Scan | None = None
        self._of: tuple[FloatArray, Procedure] | None = None
        self._fit: Calibration | None = None

    def of(self, trial: Trial) -> Calibration:
        """Return it; raises what `calibrate` raises."""
        same = self._block is trial.block and self._of is not None
        if same and self._of is not None:
            known, procedure = self._of
            same = procedure is trial.procedure and np.array_equal(known, trial.known_mm)
        if self._fit is None or not same:
            self._fit = None
            self._fit = calibrate(
                trial.block, trial.procedure, trial.known_mm, u_known_mm=U_STEP_MM
            )
            self._block, self._of = trial.block, (trial.known_mm, trial.procedure)
        return self._fit


def nothing_read(rows: int) -> dict[str, np.ndarray]:
    """Return the columns of records that no calibration could be made for."""
    nan = np.full(rows, np.nan)
    flags = np.full(rows, Flag.NO_ECHO, np.uint32)
    return {"thickness_mm": nan, "expanded_on_block_mm": nan, "flags": flags}


def judged(trial: Trial, fits: Calibrations) -> tuple[dict[str, np.ndarray], str]:
    """Measure a trial; return the columns and, where it cannot be calibrated, why."""
    try:
        readings = measure(trial.component, trial.procedure, fits.of(trial))
    except AscanError as problem:
        return nothing_read(len(trial.component)), str(problem)
    return dict(readings.columns), ""


def in_sight(trial: Trial, got: Verdicts) -> BoolArray | None:
    """Return where an echo stands clear of noise, asked only where a reading was refused."""
    if trial.echo_db is None or not (got.outcome == REFUSED).any():
        return None
    return np.asarray(trial.echo_db() >= IN_SIGHT_DB)


def told(trial: Trial, columns: dict[str, np.ndarray], got: Verdicts) -> Iterator[str]:
    """Yield a line for the worst reading that is wrong without a word, and for one that hides."""
    read, off = columns["thickness_mm"], off_mm(columns["thickness_mm"], trial.truth.claims)
    silent = np.where(got.outcome == WRONG_UNMARKED, np.minimum(off, 1e3), -1.0)
    above = np.where(got.hidden_unmarked, read - trial.least_mm, -1.0)
    for kind, size in (("wrong", silent), ("hides", above)):
        row = int(size.argmax())
        if size[row] > 0.0:
            yield (
                f"{kind} by {size[row]:.2f} mm ({int((size > 0.0).sum())} of {len(read)}): "
                f"row {row} reads {read[row]:.2f} ± "
                f"{columns['expanded_on_block_mm'][row]:.2f}, axis "
                f"{trial.axis_mm[row]:.2f}, mean {trial.mean_mm[row]:.2f}, least "
                f"{trial.least_mm[row]:.2f}"
            )


def tried(yardstick: Yardstick, seed: int, rows: int) -> Found:
    """Judge all trials of a yardstick."""
    found, fits = Found(yardstick.group, yardstick.name), Calibrations()
    for trial in yardstick.trials(seed, rows):
        columns, problem = judged(trial, fits)
        wave = trial.procedure.material.velocity_mm_per_us, trial.procedure.probe.frequency_mhz
        got = verdicts(columns, trial.truth, eighth_mm(*wave))
        found.cells.setdefault(trial.what, Counts()).add(got, in_sight(trial, got))
        found.told.add(columns, got)
        name = f"{yardstick.group}, {yardstick.name}, {trial.what}, seed {seed}"
        found.worst += [f"{name}: {line}" for line in told(trial, columns, got)]
        if problem:
            found.worst.append(f"{name}: not calibrated: {problem}")
    return found


def options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="verdicts over set-ups")
    parser.add_argument("--seed", type=int, default=900_100)
    parser.add_argument("--rows", type=int, default=30, help="records per cell")
    parser.add_argument("--only", default="", help="set-ups or groups whose name holds this word")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--write", action="store_true", help="put the table into results.md")
    parser.add_argument("--shares", action="store_true", help="print the shares of each mark anew")
    parser.add_argument("--cells", action="store_true", help="print a line for every cell, too")
    return parser.parse_args()


def one(task: tuple[int, int, int]) -> tuple[int, Found]:
    number, seed, rows = task
    return number, tried(YARDSTICKS[number], seed + APART * number, rows)


def main(asked: argparse.Namespace) -> None:
    chosen = [k for k, each in enumerate(YARDSTICKS) if asked.only in f"{each.group}: {each.name}"]
    tasks = [(k, asked.seed, asked.rows) for k in chosen]
    by_number: dict[int, Found] = {}
    with multiprocessing.get_context("spawn").Pool(asked.jobs) as pool:
        # The last ones take longest: they begin first.
        for number, found in pool.imap_unordered(one, tasks[::-1]):
            by_number[number] = found
            print(line_of(f"{found.group}: {found.name}", found.total), flush=True)
    found_all = [by_number[number] for number in chosen]
    groups: dict[str, Told] = {}
    for found in found_all:
        groups.setdefault(found.group, Told()).merge(found.told)
    table = f"{table_of(found_all)}\n\n{reliability_table(groups)}\n\n{marks_table(groups)}"
    print(f"\n{table}\n")
    for found in found_all:
        for what, counts in found.cells.items() if asked.cells else ():
            print(line_of(f"{found.group}: {found.name}: {what}", counts))
        print("\n".join(found.worst), flush=True)
    if asked.shares and set(FITTED) <= set(groups):
        print(fitted_shares(groups))
    if asked.write:
        head = (
            f"`python benches/verdict.py --seed {asked.seed} --rows {asked.rows}"
            f"{f' --only {asked.only!r}' if asked.only else ''}`, {SCENARIOS} scenarios of "
            f"ordinary work each. Wrong as `ascan.survey.wrong` defines it; hidden: by more than "
            f"{HIDDEN_MM:g} mm under the −6 dB beam.\n\n"
        )
        RESULTS.write_text(written(RESULTS.read_text("utf-8"), head + table), "utf-8")


if __name__ == "__main__":
    main(options())
