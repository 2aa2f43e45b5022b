"""The compiled cache: private, keyed by what is compiled, absent where nothing is writable."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

import ascan
from ascan.kernels import cache

PACKAGE = Path(ascan.__file__).parent
# A kernel that calls another of another file, and reads a constant and a flag's bit.
SCRIPT = """
from ascan.timing.first_crossing import place_crossing
from ascan.timing.gating import Window, place_windows
from ascan.kernels.jit import CACHE_FOLDER
import numpy as np
at = place_crossing(np.array([0.0, 1.0, 2.0, 3.0, 4.0]), 1, 1, 1.5)[0]
flags, first, last = np.zeros(1, np.uint32), np.zeros(1, np.int64), np.zeros(1, np.int64)
place_windows(np.zeros(1), np.zeros(1), Window(50.0, 60.0, 100.0, 100), first, last, flags)
fresh = sum(sum(one.stats.cache_misses.values()) for one in (place_crossing, place_windows))
print(at, flags[0], fresh, CACHE_FOLDER)
"""


def run(package_parent: Path, cache: str, **more: str) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"PYTHONPATH": str(package_parent), "ASCAN_CACHE_DIR": cache} | more
    return subprocess.run(
        [sys.executable, "-c", SCRIPT],
        env=environment,
        cwd=package_parent,
        capture_output=True,
        text=True,
        check=True,
    )


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """Return a copy of the package that may be edited."""
    shutil.copytree(PACKAGE, tmp_path / "src" / "ascan", ignore=shutil.ignore_patterns("*.pyc"))
    return tmp_path / "src"


def edit(copy: Path, name: str, before: str, after: str) -> None:
    """Change a text in a file of the copy."""
    path = copy / "ascan" / name
    source = path.read_text()
    assert before in source
    path.write_text(source.replace(before, after, 1))


def test_an_edited_callee_is_never_served_stale(copy: Path, tmp_path: Path) -> None:
    """The caller's file stays as it is; its callee in another file changes; the result follows."""
    kept = str(tmp_path / "cache")
    before = run(copy, kept).stdout.split()
    assert float(before[0]) == pytest.approx(1.5)
    assert int(before[2]) == 2
    assert list(Path(before[3]).glob("*.nbc"))  # it was kept
    again = run(copy, kept).stdout.split()
    assert again == [*before[:2], "0", before[3]]
    edit(copy, "kernels/subsample.py", "    return place\n", "    return place + 7.0\n")
    after = run(copy, kept).stdout.split()
    assert float(after[0]) == pytest.approx(8.5)
    assert int(after[2]) == 1  # the other kernel knows nothing of it


def test_an_edited_constant_is_never_served_stale(copy: Path, tmp_path: Path) -> None:
    kept = str(tmp_path / "cache")
    assert run(copy, kept).stdout.split()[1] == str(1 << 2)
    edit(copy, "base/flags.py", "GATE_OUTSIDE_RECORD = 1 << 2", "GATE_OUTSIDE_RECORD = 1 << 30")
    after = run(copy, kept).stdout.split()
    assert (after[1], after[2]) == (str(1 << 30), "1")


def test_what_no_kernel_reads_recompiles_nothing(copy: Path, tmp_path: Path) -> None:
    """A command, a message, a limit elsewhere, and the docstring of a kernel's own file."""
    kept = str(tmp_path / "cache")
    run(copy, kept)
    for name, before, after in (
        ("commands/measure.py", '"""', '"""Edited. '),
        ("base/flags.py", '"not finite: the waveform', '"not finite: this waveform'),
        ("timing/gating.py", '"""', '"""Edited. '),
        ("base/errors.py", "allowed: ", "permitted: "),
    ):
        edit(copy, name, before, after)
    assert int(run(copy, kept).stdout.split()[2]) == 0


def test_what_nobody_uses_any_more_is_removed(copy: Path, tmp_path: Path) -> None:
    folder = Path(run(copy, str(tmp_path / "cache")).stdout.split()[3])
    old, kept = folder / "old-1.py311.nbi", folder / "new-1.py311.nbi"
    for index in (old, kept):
        index.write_text("")
        index.with_name(f"{index.stem}.1.nbc").write_text("")
    long_ago = time.time() - 86400.0 * (cache.KEPT_DAYS + 1.0)
    os.utime(old, (long_ago, long_ago))
    cache.prune(folder)
    found = {path.name for path in folder.glob("*-1.py311*")}
    assert found == {kept.name, "new-1.py311.1.nbc"}


def test_works_with_a_note_where_nothing_is_writable(copy: Path, tmp_path: Path) -> None:
    """A cache root that is a file can hold no folder, whoever runs this."""
    blocked = tmp_path / "a-file"
    blocked.write_text("")
    done = run(copy, str(blocked))
    assert float(done.stdout.split()[0]) == pytest.approx(1.5)
    assert "compiled code cannot be kept" in done.stderr
    assert "ASCAN_CACHE_DIR" in done.stderr
    assert done.stdout.split()[3] == "None"


def test_folder_that_others_can_write_to_is_not_used(tmp_path: Path) -> None:
    folder = cache.private_folder(tmp_path)
    assert folder is not None
    assert folder.stat().st_mode & 0o777 == 0o700
    folder.chmod(0o777)
    assert cache.private_folder(tmp_path) is None


def test_numba_itself_is_left_as_it_was() -> None:
    """Other packages of the process keep their own cache settings."""
    import numba

    from ascan.kernels.subsample import peak_offset

    assert peak_offset(0.0, 1.0, 0.0) == 0.0
    assert "ascan" not in str(numba.config.CACHE_DIR)
