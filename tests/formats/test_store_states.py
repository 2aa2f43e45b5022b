"""Any order of writing, failing, replacing, removing and editing: the last whole file is read.

A machine that draws what happens next. It remembers what was last written whole under each name;
after every step each file says that, or, edited, is refused, and nothing else lies in the folder.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from unittest import mock

import numpy as np
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

import ascan
from ascan import AscanError, FileError
from ascan.examples import plate_example, plate_scan
from ascan.kernels.arrays import FloatArray

_, HOW, FIT = plate_example(thickness_mm=8.0)
NAMES = st.sampled_from(["one", "two"])
KINDS = st.sampled_from(["scan", "readings", "calibration"])
WALLS = st.integers(1, 4).map(lambda n: np.linspace(6.0, 6.0 + n, n + 1))
# Where a write may fail: before it is whole on the disk, and when it is given its name.
FAILING = {"fsync": (os, "fsync"), "link": (os, "link"), "replace": (Path, "replace")}


def write(kind: str, walls_mm: FloatArray, path: Path, *, replace: bool) -> None:
    if kind == "scan":
        ascan.save_scan(plate_scan(walls_mm), path, replace=replace)
    elif kind == "readings":
        ascan.measure_to_file(plate_scan(walls_mm), HOW, FIT, path, replace=replace)
    else:
        ascan.save_calibration(FIT, path, replace=replace)


def read_scan(path: Path) -> list[float]:
    with ascan.open_scan(path) as scan:
        return [float(x) for x in scan.rows.read_block(0, len(scan)).sum(axis=1)]


READ: dict[str, Callable[[Path], object]] = {
    "scan": read_scan,
    "readings": lambda path: ascan.load_readings(path).thickness_mm.tolist(),
    "calibration": lambda path: ascan.load_calibration(path).digest,
}


class Folder(RuleBasedStateMachine):
    """A folder, and what it should hold: kind, content, and whether it was edited, by name."""

    def __init__(self) -> None:
        super().__init__()
        self.made = tempfile.TemporaryDirectory()
        self.folder = Path(self.made.name)
        self.held: dict[str, tuple[str, object, bool]] = {}

    def teardown(self) -> None:
        self.made.cleanup()

    @rule(name=NAMES, kind=KINDS, walls_mm=WALLS, replace=st.booleans())
    def writes(self, name: str, kind: str, walls_mm: FloatArray, replace: bool) -> None:
        path = self.folder / name
        try:
            write(kind, walls_mm, path, replace=replace)
        except FileError:
            assert name in self.held
            assert not replace
            return
        assert replace or name not in self.held
        self.held[name] = (kind, READ[kind](path), False)

    @rule(
        name=NAMES, kind=KINDS, walls_mm=WALLS, where=st.sampled_from(sorted(FAILING)),
        number=st.sampled_from([5, 28, 30, 116]),
    )  # fmt: skip
    def fails(self, name: str, kind: str, walls_mm: FloatArray, where: str, number: int) -> None:
        failing = mock.Mock(side_effect=OSError(number, os.strerror(number)))
        replace = where != "link"
        before = self.held.get(name)
        with mock.patch.object(*FAILING[where], failing):
            try:
                write(kind, walls_mm, self.folder / name, replace=replace)
            except FileError:
                return
        # Where files cannot be linked they are renamed instead.
        assert where == "link"
        assert before is None
        self.held[name] = (kind, READ[kind](self.folder / name), False)

    @precondition(lambda self: self.held)
    @rule(data=st.data())
    def edits(self, data: st.DataObject) -> None:
        """Flip one bit of what was stored: samples, columns, fields, words."""
        name = data.draw(st.sampled_from(sorted(self.held)))
        path = self.folder / name
        content = bytearray(path.read_bytes())
        place = data.draw(st.integers(0, len(content) - 1))
        content[place] ^= 1 << data.draw(st.integers(0, 7))
        path.write_bytes(bytes(content))
        kind, what, _ = self.held[name]
        self.held[name] = (kind, what, True)

    @precondition(lambda self: self.held)
    @rule(data=st.data())
    def is_removed(self, data: st.DataObject) -> None:
        name = data.draw(st.sampled_from(sorted(self.held)))
        (self.folder / name).unlink()
        del self.held[name]

    @invariant()
    def every_file_is_what_was_last_written_whole(self) -> None:
        assert sorted(one.name for one in self.folder.iterdir()) == sorted(self.held)
        for name, (kind, what, edited) in self.held.items():
            try:
                found = READ[kind](self.folder / name)
            except AscanError:
                assert edited, f"{name} was not edited, and is refused"
                continue
            assert found == what, f"{name}: another value than was written"


Folder.TestCase.settings = settings(max_examples=25, stateful_step_count=12, deadline=None)
TestFolder = Folder.TestCase
