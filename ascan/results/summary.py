"""What readings add up to: counts, extremes, flags."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from ascan.base.flags import (
    FATAL,
    MEANINGS,
    Flag,
    at_stake,
    is_fatal,
    is_marked,
    names,
    severity,
    usability,
    with_care,
)
from ascan.kernels.arrays import AnyArray, BoolArray
from ascan.results.shown import length

# Code of the column `check_status` of readings that a failed check has voided
# (`ascan.results.series`).
VOID = 2


def is_void(columns: Mapping[str, AnyArray]) -> BoolArray:
    """Return which readings a failed check has voided, shape (n,)."""
    nothing = np.zeros(len(columns["flags"]), np.uint8)
    return np.asarray(columns.get("check_status", nothing) == VOID)


def usabilities(columns: Mapping[str, AnyArray]) -> AnyArray:
    """Return in words whether each reading can be used, shape (n,); a void one cannot."""
    words = np.array([usability(int(value)) for value in columns["flags"]], np.str_)
    return np.where(is_void(columns), usability(FATAL), words)


@dataclass(slots=True)
class Summary:
    """Counts and extremes of readings that pass by a block at a time."""

    rows: int = 0
    refused: int = 0
    void: int = 0
    with_care: int = 0
    flags: dict[str, int] = field(default_factory=dict)
    # Thickness, its u, row and flags.
    thinnest: tuple[float, float, int, int] = (np.inf, np.nan, -1, 0)
    thickest: tuple[float, float, int, int] = (-np.inf, np.nan, -1, 0)

    def add(self, columns: Mapping[str, AnyArray]) -> None:
        """Add a block of readings; ``scan_row`` names rows by their place in a larger scan."""
        flags = columns["flags"]
        nothing = np.full(len(flags), np.nan)
        thickness, u = columns.get("thickness_mm", nothing), columns.get("u_mm", nothing)
        void = is_void(columns)
        fatal = is_fatal(flags) | void
        thickness = np.where(void, np.nan, thickness)
        self.void += int((void & ~is_fatal(flags)).sum())
        for flag in MEANINGS:
            count = int(np.count_nonzero(flags & np.uint32(flag)))
            if count:
                name = str(flag.name).lower()
                self.flags[name] = self.flags.get(name, 0) + count
        self.refused += int(fatal.sum())
        self.with_care += int((is_marked(flags) & ~fatal).sum())
        if not np.isnan(thickness).all():
            low, high = int(np.nanargmin(thickness)), int(np.nanargmax(thickness))
            row = columns.get("scan_row", np.arange(self.rows, self.rows + len(flags)))
            if row.dtype.kind != "i":
                row = np.arange(self.rows, self.rows + len(flags))
            least, most = (
                (float(thickness[at]), float(u[at]), int(row[at]), int(flags[at]))
                for at in (low, high)
            )
            self.thinnest = min(self.thinnest, least, key=lambda item: item[0])
            self.thickest = max(self.thickest, most, key=lambda item: item[0])
        self.rows += len(flags)

    def lines(self) -> list[str]:
        """Return the summary as text: counts, extremes, every flag, and the caution."""
        clean = self.rows - self.refused - self.with_care
        out = [
            f"{self.rows} waveforms: {clean} usable, {self.with_care} usable with care, "
            f"{self.refused} not usable",
        ]
        for word, (value, u, row, bits) in (
            ("thinnest", self.thinnest), ("thickest", self.thickest)
        ):  # fmt: skip
            if row >= 0:
                out.append(
                    f"{word}  {length(value)}, u {length(u)}, row {row}{with_care(names(bits))}"
                )
        if self.void:
            out.append(f"{self.void} of these are void by a failed check, and count for nothing")
        if self.refused:
            out.append("what is not usable has no thickness: the thinnest wall may lie there")
        for flag, meaning in MEANINGS.items():
            count = self.flags.get(str(flag.name).lower(), 0)
            if count:
                out.append(f"{count:>8}  {_kind(flag)}: {meaning}")
        return out


def _kind(flag: Flag) -> str:
    """Return a flag's severity and, of care, what is at stake."""
    word, stake = severity(flag), at_stake(flag)
    return f"{word} ({stake})" if word == "care" else word
