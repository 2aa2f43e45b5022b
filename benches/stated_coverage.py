"""Stated against observed: how often the 95 % interval holds the truth, and how wide it is.

    python benches/stated_coverage.py [--seed N] [--trials N] [--only WORD] [--write]

Readings and calibrations over a grid of readings per step, steps, lack of fit and block error, and
survey figures on some cells of it, by drawn times (`drawn_times`); then whole waveforms on two
cells, beside drawn times. ``--only`` takes the lines whose label holds the word (``readings=3``,
``block=common``, ``grid``, ``survey``, ``waveforms``); ``--write`` puts the whole table into
``benches/results.md``. Each case has random numbers of its own: one line is the same alone.
"""

from __future__ import annotations

import argparse
import datetime
import zlib
from collections.abc import Iterator
from pathlib import Path

import drawn_survey
import numpy as np
import waveform_trials
from counted import Observed
from drawn_times import GRID, Case
from stated_calibration import HEAD, drawn_coverage

RESULTS = Path(__file__).resolve().parent / "results.md"
HEADING = "## Stated against observed"
LEGEND = (
    "observed % inside the stated 95 % interval ± half of that count's own 95 % interval; < and > "
    "where 95 lies outside; widths from end to end"
)


def seeded(seed: int, part: str, case: Case) -> np.random.Generator:
    return np.random.default_rng([seed, zlib.crc32(f"{part} {case}".encode())])


def wanted(part: str, cases: tuple[Case, ...], only: str) -> list[Case]:
    return [case for case in cases if only in f"{part} {case}"]


def grid_lines(args: argparse.Namespace) -> Iterator[str]:
    """Yield readings and calibrations, a line a case."""
    cases = wanted("grid", GRID, args.only)
    if cases:
        yield f"readings and calibrations, {args.trials} trials a line"
        yield HEAD
    for case in cases:
        found = drawn_coverage(case, args.trials, seeded(args.seed, "grid", case))
        yield found.line(str(case))


def survey_lines(args: argparse.Namespace) -> Iterator[str]:
    """Yield survey figures: a column a case, coverage first, then widths."""
    cases = wanted("survey", drawn_survey.CASES, args.only)
    if not cases:
        return
    yield f"\nsurvey figures, {args.trials} trials a column"
    columns: list[dict[str, Observed]] = []
    for letter, case in zip("abcdef", cases, strict=False):
        rng = seeded(args.seed, "survey", case)
        columns.append(drawn_survey.survey_coverage(case, args.trials, rng))
        yield f"  {letter}  {case}"
    letters = "abcdef"[: len(cases)]
    yield (f"{'% in 95':<44}" + "".join(f"    {letter:<9}" for letter in letters)).rstrip()
    for name in columns[0]:
        yield (f"{name:<44}" + "".join(f"{column[name]!s:<13}" for column in columns)).rstrip()
    yield f"{'mean width':<44}" + "".join(f"{letter:>9}" for letter in letters)
    for name in columns[0]:
        unit = drawn_survey.UNITS[name.split()[0].rstrip(",")]
        told = f"{name}, {unit}"
        yield f"{told:<44}" + "".join(f"{column[name].width:9.2f}" for column in columns)


def waveform_lines(args: argparse.Namespace) -> Iterator[str]:
    """Yield waveforms beside drawn times."""
    cases = wanted("waveforms", waveform_trials.CASES, args.only)
    trials = min(waveform_trials.MOST_TRIALS, args.trials)
    if cases:
        yield f"\nwaveforms, {trials} trials a line, beside {args.trials} of drawn times"
        yield HEAD
    for case in cases:
        yield str(case)
        drawn = drawn_coverage(case, args.trials, seeded(args.seed, "grid", case))
        whole, u_ns, refused = waveform_trials.waveform_coverage(
            case, trials, seeded(args.seed, "waveforms", case)
        )
        for name, found in (("drawn times", drawn), ("waveforms", whole)):
            yield found.line(f"  {name}")
            rms = "{:.2f} µm, {:.2f} m/s, {:.2f} ns".format(*found.rms)
            yield f"    rms error of reading, velocity, zero: {rms}"
        bend_ns = waveform_trials.clean_line(case)[2]
        yield (
            f"    u of a waveform's time {u_ns:.2f} ns (median), {bend_ns:.2f} ns off a line at "
            f"most; {refused} readings refused"
        )


def keep(heading: str, called: str, lines: list[str]) -> None:
    """Put a table into ``results.md``, with the command that made it and the day."""
    table = "\n".join(lines)
    body = f"{called}\n\n```\n{table}\n```"
    RESULTS.write_text(written(RESULTS.read_text(), heading, body))


def written(text: str, heading: str, body: str) -> str:
    """Return a text whose section of that heading is the new one; at its end if it had none.

    A section reaches to the next heading of its level.
    """
    section = f"{heading}\n\n{body.strip()}\n"
    before, found, rest = text.partition(f"{heading}\n")
    if not found:
        return f"{text.rstrip()}\n\n{section}"
    _, mark, after = rest.partition("\n## ")
    return f"{before}{section}" + (f"\n## {after}" if mark else "")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--trials", type=int, default=2000)
    parser.add_argument("--only", default="", metavar="WORD")
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args()
    if args.write and args.only:
        parser.error("--write keeps the whole table: leave --only out")
    lines = []
    for part in (grid_lines, survey_lines, waveform_lines):
        for line in part(args):
            print(line, flush=True)
            lines.append(line)
    if not lines:
        parser.error(f"no case holds '{args.only}'")
    print(LEGEND)
    if args.write:
        called = f"`python benches/stated_coverage.py --seed {args.seed} --trials {args.trials}`"
        keep(HEADING, f"{called}, {datetime.date.today()}: {LEGEND}.", lines)


if __name__ == "__main__":
    main()
