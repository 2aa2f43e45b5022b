"""The compiled cache: private, keyed by the sources, absent where nothing is writable."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from ascan.kernels import jit

SCRIPT = """
from ascan.kernels.subsample import crossing_fraction, peak_offset
from ascan.timing.first_crossing import place_crossing
from ascan.kernels.jit import CACHE_FOLDER
import numpy as np
print(place_crossing(np.array([0.0, 1.0, 2.0, 3.0, 4.0]), 1, 1, 1.5)[0], CACHE_FOLDER)
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
    shutil.copytree(jit.PACKAGE, tmp_path / "src" / "ascan", ignore=shutil.ignore_patterns("*.pyc"))
    return tmp_path / "src"


def test_an_edited_callee_is_never_served_stale(copy: Path, tmp_path: Path) -> None:
    """The caller's file stays as it is; its callee in another file changes; the result follows."""
    cache = str(tmp_path / "cache")
    before = run(copy, cache).stdout.split()
    assert float(before[0]) == pytest.approx(1.5)
    assert list(Path(before[1]).rglob("*.nbc"))  # it was kept
    again = run(copy, cache).stdout.split()
    assert again == before
    callee = copy / "ascan" / "kernels" / "subsample.py"
    source = callee.read_text()
    edited = source.replace("    return place\n", "    return place + 7.0\n")
    assert edited != source
    callee.write_text(edited)
    after = run(copy, cache).stdout.split()
    assert float(after[0]) == pytest.approx(8.5)
    assert after[1] != before[1]


def test_works_with_a_note_where_nothing_is_writable(copy: Path, tmp_path: Path) -> None:
    """A cache root that is a file can hold no folder, whoever runs this."""
    blocked = tmp_path / "a-file"
    blocked.write_text("")
    done = run(copy, str(blocked))
    assert float(done.stdout.split()[0]) == pytest.approx(1.5)
    assert "compiled code cannot be kept" in done.stderr
    assert "ASCAN_CACHE_DIR" in done.stderr
    assert done.stdout.split()[1] == "None"


def test_folder_that_others_can_write_to_is_not_used(tmp_path: Path) -> None:
    folder = jit.private_folder(tmp_path, "digest")
    assert folder is not None
    assert folder.stat().st_mode & 0o777 == 0o700
    folder.chmod(0o777)
    assert jit.private_folder(tmp_path, "digest") is None


def test_numba_itself_is_left_as_it_was() -> None:
    """Other packages of the process keep their own cache settings."""
    import numba

    from ascan.kernels.subsample import peak_offset

    assert peak_offset(0.0, 1.0, 0.0) == 0.0
    assert "ascan" not in str(numba.config.CACHE_DIR)


def test_digest_sees_every_source(copy: Path) -> None:
    before = jit.source_digest(copy / "ascan")
    (copy / "ascan" / "timing" / "new.py").write_text("")
    assert jit.source_digest(copy / "ascan") != before
