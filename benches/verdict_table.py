"""The table of verdicts, and where it is kept."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

from counts import Counts
from reliability import Told

from ascan.survey.wrong import (
    REFUSED,
    RIGHT_MARKED,
    RIGHT_UNMARKED,
    WRONG_MARKED,
    WRONG_UNMARKED,
)

IN_SIGHT_DB = 15.0
RESULTS = Path(__file__).with_name("results.md")
HEADING = "## Verdicts"


@dataclass(slots=True)
class Found:
    """What one yardstick gave: counts of each cell, its readings, the worst ones in words."""

    group: str
    name: str
    cells: dict[str, Counts] = field(default_factory=dict)
    told: Told = field(default_factory=Told)
    worst: list[str] = field(default_factory=list)

    @property
    def total(self) -> Counts:
        """Counts of all cells together."""
        whole = Counts()
        for each in self.cells.values():
            whole.merge(each)
        return whole


COLUMNS = (
    "rows", "right, unmarked", "right, marked", "wrong, marked", "wrong, unmarked",
    "hidden, marked", "hidden, unmarked", "refused", f"refused at {IN_SIGHT_DB:g} dB",
)  # fmt: skip


def cells_of(counts: Counts) -> list[int]:
    of = counts.outcomes
    shown = [of[name] for name in (RIGHT_UNMARKED, RIGHT_MARKED, WRONG_MARKED, WRONG_UNMARKED)]
    hidden = [counts.hidden_marked, counts.hidden_unmarked]
    return [counts.rows, *shown, *hidden, of[REFUSED], counts.refused_in_sight]


def alone_of(counts: Counts) -> str:
    """Return which flags marked a right reading alone, most often first."""
    ranked = sorted(counts.alone.items(), key=lambda item: -item[1])
    return ", ".join(f"{name} {count}" for name, count in ranked) or "none"


def table_of(all_found: list[Found]) -> str:
    """Return the table, in Markdown: a line for each set-up and a total for each group."""
    lines = [f"| set-up | {' | '.join(COLUMNS)} |", "|---" * (len(COLUMNS) + 1) + "|"]
    alone = ["| set-up | right, marked by this flag alone |", "|---|---|"]
    for group in dict.fromkeys(found.group for found in all_found):
        whole = Counts()
        for found in all_found:
            if found.group == group:
                whole.merge(found.total)
                lines.append(line_of(f"{group}: {found.name}", found.total))
                alone.append(f"| {group}: {found.name} | {alone_of(found.total)} |")
        lines.append(line_of(f"**{group}, all**", whole))
        alone.append(f"| **{group}, all** | {alone_of(whole)} |")
    return "\n".join(lines) + "\n\n" + "\n".join(alone)


def line_of(name: str, counts: Counts) -> str:
    return f"| {name} | {' | '.join(str(value) for value in cells_of(counts))} |"


def written(text: str, under: str) -> str:
    """Return results with what stands under the heading replaced, or put at the end."""
    place = re.compile(rf"^{re.escape(HEADING)}\b.*?(?=^## |\Z)", re.DOTALL | re.MULTILINE)
    section = f"{HEADING}\n\n{under}\n\n"
    if place.search(text):
        return place.sub(lambda _: section, text).rstrip() + "\n"
    return f"{text.rstrip()}\n\n{section}".rstrip() + "\n"
