"""The one table of checks, in the order in which they are run; nothing registers itself."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from ascan.checks import (
    blanks,
    cycle_uncertain,
    finite,
    first_interval,
    followers,
    interface_multiple,
    interface_shifted,
    low_snr,
    missing_second,
    multiple_suspected,
    multiples,
    ranges,
    record_amplitude,
    record_duplicate,
    record_odds,
    record_other,
    record_residual,
    record_stuck,
    saturation,
    second_echo,
    second_interval,
    second_path,
    shape_mismatch,
    spike_repaired,
    uneven_spacing,
    unexpected_echo,
    weak_echo,
)
from ascan.checks.check import Check, Column, Key, Stage
from ascan.checks.check_input import CheckInput
from ascan.checks.lesson import Lesson
from ascan.kernels.arrays import Columns, FlagArray
from ascan.path.modes import Layout

CHECKS: tuple[Check, ...] = (
    finite.CHECK,
    record_stuck.CHECK,
    saturation.CHECK,
    blanks.CHECK,
    unexpected_echo.MEASURED,
    low_snr.CHECK,
    spike_repaired.CHECK,
    interface_shifted.CHECK,
    first_interval.CHECK,
    cycle_uncertain.CHECK,
    uneven_spacing.CHECK,
    interface_multiple.CHECK,
    multiple_suspected.CHECK,
    record_amplitude.CHECK,
    record_other.CHECK,
    record_odds.CHECK,
    record_residual.CHECK,
    ranges.CHECK,
    second_echo.CHECK,
    weak_echo.CHECK,
    unexpected_echo.CHECK,
    shape_mismatch.CHECK,
    followers.CHECK,
    multiples.CHECK,
    missing_second.CHECK,
    second_path.CHECK,
    second_interval.CHECK,
    record_duplicate.CHECK,
)


def lessons() -> Iterator[Lesson]:
    """Yield all that checks learn from the steps."""
    for check in CHECKS:
        yield from check.learns


def keys() -> dict[str, Key]:
    """Return the limits that a procedure may state, by name."""
    return {key.name: key for check in CHECKS for key in check.keys}


def columns(*, of_gate: bool) -> dict[str, Column]:
    """Return the columns that checks write, of readings or of each gate, by name."""
    every = (column for check in CHECKS for column in check.columns)
    return {column.name: column for column in every if column.of_gate == of_gate}


@dataclass(frozen=True, eq=False, slots=True)
class BoundChecks:
    """The checks that apply to a layout, by stage."""

    by_stage: Mapping[Stage, tuple[Check, ...]]

    def run(self, stage: Stage, seen: CheckInput, flags: FlagArray) -> Columns:
        """Run the checks of a stage on a block: set its flags, return their columns.

        At READING the columns of a check are there for those below it.
        """
        written: Columns = {}
        for check in self.by_stage.get(stage, ()):
            found = check.evidence(seen)
            for flag, stands in check.judge(seen, found).items():
                if stands.any():
                    flags[stands] |= np.uint32(flag)
            own = {each.name: found[each.name] for each in check.columns if each.name in found}
            written |= own
            if stage is Stage.READING:
                seen.columns |= own
        return written


def bound_to(layout: Layout) -> BoundChecks:
    """Return the checks that have anything to say of a layout."""
    return BoundChecks(
        {
            stage: tuple(c for c in CHECKS if c.stage is stage and c.applies(layout))
            for stage in Stage
        }
    )
