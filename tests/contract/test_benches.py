"""Every bench can still be started: a figure that no command makes again is no figure."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

BENCHES = Path(__file__).resolve().parents[2] / "benches"
IMPORTS = "import importlib, sys; [importlib.import_module(name) for name in sys.argv[1:]]"


def test_every_bench_finds_what_it_imports() -> None:
    names = sorted(path.stem for path in BENCHES.glob("*.py"))
    assert "verdict" in names
    done = subprocess.run(
        [sys.executable, "-c", IMPORTS, *names],
        cwd=BENCHES,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
