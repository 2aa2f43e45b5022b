"""What several commands share: row lists, progress, and the options that name files."""

from __future__ import annotations

import argparse
import sys
import time
from typing import Any

from ascan.errors import fault
from ascan.pipeline import Progress
from ascan.scan import Scan


def rows_of(text: str, place: str) -> list[int]:
    """Return the row numbers of a list such as ``0,7-20``.

    Examples
    --------
    >>> rows_of("0,7-9", "--rows")
    [0, 7, 8, 9]
    """
    rows: list[int] = []
    for part in text.split(","):
        first, dash, last = part.strip().partition("-")
        if (
            not first.isdigit()
            or (dash and not last.isdigit())
            or (dash and int(last) < int(first))
        ):
            raise fault(place, f"is '{text}'", allowed="numbers and ranges, such as 0,7-20")
        rows += range(int(first), int(last if dash else first) + 1)
    return rows


def chosen(scan: Scan, rows: str | None) -> Scan:
    """Return the scan, or the rows of it that an option names."""
    return scan if rows is None else scan.choose(rows_of(rows, "--rows"))


class Bar:
    """Progress of long work on the terminal: rows done, rate, time left; silent below a second."""

    def __init__(self, quiet: bool) -> None:
        self._quiet = quiet or not sys.stderr.isatty()
        self._bar: Any = None
        self._began = time.monotonic()

    def __call__(self, done: int, total: int) -> None:
        """Show that ``done`` of ``total`` rows are done."""
        if self._quiet or (self._bar is None and time.monotonic() - self._began < 1.0):
            return
        if self._bar is None:
            try:
                from tqdm import tqdm
            except ImportError:
                self._quiet = True
                return
            self._bar = tqdm(total=total, unit=" waveforms", leave=False)
        self._bar.update(done - self._bar.n)
        if done >= total:
            self._bar.close()


def progress_bar(args: argparse.Namespace) -> Progress:
    """Return the progress callback that the options ask for."""
    return Bar(args.quiet)


def add_common(parser: argparse.ArgumentParser) -> None:
    """Add the options that every command that writes a file has."""
    parser.add_argument("--replace", action="store_true", help="replace an existing output file")
    parser.add_argument("--quiet", action="store_true", help="print nothing but errors")


def say(args: argparse.Namespace, lines: list[str]) -> None:
    """Print lines unless the user asked for quiet."""
    if not args.quiet:
        print("\n".join(lines))
