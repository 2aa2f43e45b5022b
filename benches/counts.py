"""How many readings had which verdict, added up."""

from __future__ import annotations

from dataclasses import dataclass, field

from ascan.base.flags import Flag
from ascan.kernels.arrays import BoolArray
from ascan.survey.wrong import OUTCOMES, REFUSED, Verdicts


@dataclass(slots=True)
class Counts:
    """How many readings had which verdict; adds up.

    ``refused_in_sight`` counts readings refused though an echo stood clear of the noise, ``alone``
    the right ones that a single flag marked, by its name.
    """

    rows: int = 0
    outcomes: dict[str, int] = field(default_factory=lambda: dict.fromkeys(OUTCOMES, 0))
    hidden_marked: int = 0
    hidden_unmarked: int = 0
    refused_in_sight: int = 0
    alone: dict[str, int] = field(default_factory=dict)

    def add(self, got: Verdicts, in_sight: BoolArray | None = None) -> None:
        """Count verdicts; ``in_sight``, shape (n,), says where an echo clear of noise is due."""
        self.rows += got.outcome.size
        for name in OUTCOMES:
            self.outcomes[name] += int((got.outcome == name).sum())
        self.hidden_marked += int(got.hidden_marked.sum())
        self.hidden_unmarked += int(got.hidden_unmarked.sum())
        if in_sight is not None:
            self.refused_in_sight += int(((got.outcome == REFUSED) & in_sight).sum())
        for flag in got.alone[got.alone != 0]:
            name = str(Flag(int(flag)).name).lower()
            self.alone[name] = self.alone.get(name, 0) + 1

    def merge(self, other: Counts) -> None:
        """Add the counts of another."""
        self.rows += other.rows
        self.hidden_marked += other.hidden_marked
        self.hidden_unmarked += other.hidden_unmarked
        self.refused_in_sight += other.refused_in_sight
        for mine, theirs in ((self.outcomes, other.outcomes), (self.alone, other.alone)):
            for name, count in theirs.items():
                mine[name] = mine.get(name, 0) + count
