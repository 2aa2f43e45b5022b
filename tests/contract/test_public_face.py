"""The public face: what it names, that it is light, typed and doctested."""

from __future__ import annotations

import ast
import inspect
import re
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

import ascan
from ascan.examples import plate_example, plate_scan

NAMES = {
    "open_scan", "Scan", "load_procedure", "Procedure", "calibrate", "load_calibration",
    "Calibration", "measure", "prepare", "time_echoes", "Readings", "Flag", "AscanError",
}  # fmt: skip


def test_every_promised_name_is_there() -> None:
    assert set(ascan.__all__) >= NAMES
    for name in ascan.__all__:
        assert getattr(ascan, name).__name__ == name


def test_stub_names_what_the_package_names() -> None:
    stub = Path(ascan.__file__).with_suffix(".pyi").read_text()
    imported = {
        alias.asname: node.module
        for node in ast.walk(ast.parse(stub))
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert imported == ascan._HOMES


def test_import_is_light() -> None:
    """Importing the package loads no numpy, numba, h5py or scipy."""
    script = (
        "import ascan, sys; print(sorted({'numpy', 'numba', 'h5py', 'scipy'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_every_public_name_has_an_example() -> None:
    without = [name for name in ascan.__all__ if ">>>" not in (getattr(ascan, name).__doc__ or "")]
    assert without == []


def test_a_submodule_never_hides_a_function() -> None:
    """No module is called like a public function, so that no import can shadow it."""
    folder = Path(ascan.__file__).parent
    modules = {path.stem for path in folder.glob("*.py")} | {
        path.name for path in folder.iterdir() if path.is_dir()
    }
    assert modules.isdisjoint(ascan.__all__)


def test_prepared_engine_is_thread_safe() -> None:
    """Many threads through one engine give what one thread gives."""
    _, procedure, calibration = plate_example(8.0)
    thickness = np.linspace(5.0, 18.0, 64)
    waveforms = plate_scan(thickness).rows.read_block(0, 64)
    engine = ascan.prepare(procedure, calibration, dtype="float32", sample_rate_mhz=100.0)
    alone = [engine.measure_one(waveform).thickness_mm for waveform in waveforms]
    together: list[list[float]] = [[] for _ in range(4)]

    def work(out: list[float]) -> None:
        for _ in range(20):
            out.extend(engine.measure_one(waveform).thickness_mm for waveform in waveforms)

    threads = [threading.Thread(target=work, args=(out,)) for out in together]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert all(out == alone * 20 for out in together)


def test_block_size_does_not_change_a_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    scan, procedure, calibration = plate_example(8.0)
    scan = plate_scan(np.linspace(5.0, 18.0, 300))
    whole = ascan.measure(scan, procedure, calibration)
    monkeypatch.setattr("ascan.engine.blocks.BLOCK_BYTES", 1)
    parts = ascan.measure(scan, procedure, calibration)
    for name, column in whole.columns.items():
        assert np.array_equal(column, parts.columns[name], equal_nan=column.dtype.kind == "f"), name


def documented(section: str, doc: str) -> set[str]:
    """Return the names that a section of a docstring explains, each with words below it."""
    body = re.search(rf"^{section}\n-+\n(.*?)(?=^\w[^\n]*\n-+$|\Z)", doc, re.M | re.S)
    entries = (
        re.findall(r"^(\S[^\n]*?)(?: : [^\n]*)?\n((?:    \S[^\n]*\n?)+)", body[1], re.M)
        if body
        else []
    )
    return {name.strip().lstrip("*") for names, _ in entries for name in names.split(",")}


@pytest.mark.parametrize(
    "name", [n for n in ascan.__all__ if inspect.isfunction(getattr(ascan, n))]
)
def test_every_parameter_of_a_function_is_explained(name: str) -> None:
    function = getattr(ascan, name)
    doc = inspect.getdoc(function) or ""
    wanted = {each.lstrip("*") for each in inspect.signature(function).parameters}
    assert wanted <= documented("Parameters", doc)
    assert re.search(r"^Raises\n-+\nAscanError\n    \S", doc, re.M)
