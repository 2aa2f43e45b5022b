"""What a self-check is: its evidence, its judgement, its limits, its columns, what it learns."""

from __future__ import annotations

import enum
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from ascan.base.flags import Flag
from ascan.checks.check_input import CheckInput
from ascan.checks.lesson import Lesson
from ascan.kernels.arrays import AnyArray, BoolArray
from ascan.path.modes import Layout

# What a check measured, by name: a value for each row.
Evidence = Mapping[str, AnyArray]
# Which rows each of its flags stands on.
Verdict = Mapping[Flag, BoolArray]


class Stage(enum.Enum):
    """When a check is run: what its input holds by then."""

    RECORD = "the record as such, while it is repaired"
    GATE = "one gate's echo; its flags are the gate's own"
    ECHOES = "the echoes of all gates"
    INTERVAL = "the interval between them, and what else they may be"
    FIT = "the fit of a whole record"
    READING = "the thickness"
    SCAN = "the record beside the one before it"


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """A limit that a procedure may state in ``[checks]``.

    Attributes
    ----------
    name : str
    default, least, most, above : float
        ``above`` is not allowed itself.
    meaning : str
        For the table in the guide.
    why : str
        Where the default comes from.
    """

    name: str
    default: float
    meaning: str
    why: str
    least: float = -math.inf
    most: float = math.inf
    above: float = -math.inf


@dataclass(frozen=True, slots=True)
class Column:
    """A column of readings; of each gate if ``of_gate``."""

    name: str
    unit: str
    meaning: str
    of_gate: bool = False


def everywhere(layout: Layout) -> bool:
    """Tell that a check applies, whatever the layout."""
    return True


def nothing(seen: CheckInput, found: Evidence) -> Verdict:
    """Return that no flag stands: of a check that only measures, for others to judge."""
    return {}


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One self-check. It keeps nothing between calls.

    Attributes
    ----------
    name : str
    stage : Stage
    evidence : callable
        What speaks for or against each row, as numbers with a meaning.
    judge : callable
        Which rows that flags.
    applies : callable
        Whether it has anything to say of a layout.
    keys : tuple of Key
        Its limits.
    columns : tuple of Column
        Which parts of its evidence stand in readings.
    learns : tuple of Lesson
        What it learns from the steps.
    """

    name: str
    stage: Stage
    evidence: Callable[[CheckInput], Evidence]
    judge: Callable[[CheckInput, Evidence], Verdict] = nothing
    applies: Callable[[Layout], bool] = everywhere
    keys: tuple[Key, ...] = ()
    columns: tuple[Column, ...] = ()
    learns: tuple[Lesson, ...] = ()
