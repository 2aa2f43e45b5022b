"""What the engine says of signals that mislead: right, with care, refused, silently wrong.

    python benches/faults.py [ROWS] [SEED] [SETUP]

Ways of measuring (`setups`), each calibrated on a clean step block, each given every difficulty
that it can meet (`misleading`), ROWS waveforms apiece. Wrong is as in
`ascan.survey.wrong`. Counts only, no wall time.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from misleading import Difficulty, difficulties, signals
from setups import Setup, scan_of, setups

from ascan import measure
from ascan.base.flags import is_fatal, names
from ascan.kernels.arrays import FlagArray, FloatArray
from ascan.survey.wrong import eighth_mm, off_mm, value_wrong

EIGHTH_MM = eighth_mm(5.92, 5.0)


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


def score(columns: Mapping[str, Any], right: FloatArray) -> Score:
    """Count; ``right``, shape (2 k, n), holds pairs of bounds between which a reading is right.

    ``columns`` are those of readings: ``thickness_mm``, ``u_on_block_mm``,
    ``expanded_on_block_mm`` and ``flags``.
    """
    thickness, flags = columns["thickness_mm"], columns["flags"]
    refused, marked = is_fatal(flags), flags != 0
    gross = ~refused & value_wrong(thickness, right, columns["expanded_on_block_mm"], EIGHTH_MM)
    beyond = ~refused & (off_mm(thickness, right) > 3.0 * columns["u_on_block_mm"])
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
        found = signals(setup, difficulty, seed + 1 + k, rows)
        readings = measure(scan_of(found.made, found.codes), setup.procedure, fit)
        yield difficulty, score(readings.columns, found.claims_mm)


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
