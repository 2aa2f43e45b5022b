"""Modules import strictly lower floors and siblings in their folder; each library has one room."""

from __future__ import annotations

import ast
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "ascan"
SYNTHETIC = ROOT / "synthetic" / "ascan_synthetic"

FLOORS = {
    "arrays": 0, "carried": 0, "errors": 0, "flags": 0, "units": 0,
    "kernels": 1, "tables": 1, "shown": 1,
    "job": 2, "material": 2, "recording": 2, "conditioning": 2, "path": 2, "readings": 2,
    "template": 1, "baseline": 2,
    "scan": 3, "noise": 3, "timing": 3, "interval": 3, "health": 3, "thickness": 3,
    "calibration": 3, "series": 3, "study": 3, "neighbours": 1, "uncertainty": 3,
    "gating": 4, "probe": 4, "raw_checks": 4, "whole_record": 4,
    "survey": 4,
    "procedure": 5,
    "gate_stage": 6,
    "thickness_stage": 6,
    "echo_checks": 7, "following_checks": 7,
    "pipeline": 8, "budget": 9, "planning": 10, "head_models": 8,
    "channels": 9, "check_learning": 6, "head_learning": 9, "template_learning": 9,
    "lag_learning": 9,
    "record_learning": 9, "repeat_learning": 5,
    "aperture_learning": 10,
    "engine": 10, "store": 10,
    "calibrating": 11, "checking": 11, "component": 11, "stream": 11, "comparing": 12,
    "examples": 13, "report": 13,
    "commands": 14,
    "cli": 15,
}  # fmt: skip
# Libraries that are imported in one room only.
ROOMS = {"numba": {"kernels"}, "h5py": {"store"}, "matplotlib": {"report"}, "tqdm": {"commands"}}

CLOSENESS = ("isclose", "allclose", "assert_allclose")


def modules(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*.py"))


def imports(path: Path) -> Iterator[tuple[str, int]]:
    """Every imported module, inside functions and under TYPE_CHECKING, too."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from ((alias.name, node.lineno) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield node.module or "", node.lineno


def room_of(path: Path) -> str:
    parts = path.relative_to(PACKAGE).parts
    return parts[0] if len(parts) > 1 else path.stem


@pytest.mark.parametrize("path", modules(PACKAGE), ids=lambda p: str(p.relative_to(ROOT)))
def test_floors_and_rooms(path: Path) -> None:
    room = room_of(path)
    if room == "__init__":
        assert [name for name, _ in imports(path) if name.startswith("ascan")] == []
        return
    for name, line in imports(path):
        top, _, rest = name.partition(".")
        where = f"{path.name}:{line}"
        assert room in ROOMS.get(top, {room}), f"{where} imports {top} outside {ROOMS[top]}"
        if top == "ascan_synthetic":
            assert room == "commands", f"{where}: the two towers meet in commands only"
        if top == "ascan" and rest:
            other = rest.split(".")[0]
            sibling = other == room and path.parent != PACKAGE
            assert sibling or FLOORS[other] < FLOORS[room], f"{where} imports {name}"


@pytest.mark.parametrize("path", modules(SYNTHETIC), ids=lambda p: str(p.relative_to(ROOT)))
def test_the_yardstick_knows_nothing_of_the_engine(path: Path) -> None:
    assert [name for name, _ in imports(path) if name.split(".")[0] == "ascan"] == []


@pytest.mark.parametrize(
    "path",
    [p for folder in ("ascan", "synthetic", "tests", "benches") for p in modules(ROOT / folder)],
    ids=lambda p: str(p.relative_to(ROOT)),
)
def test_no_closeness_without_a_stated_tolerance(path: Path) -> None:
    """Calls of np.isclose and np.allclose state atol: its default passes any two small numbers."""
    for node in ast.walk(ast.parse(path.read_text())):
        called = node.func if isinstance(node, ast.Call) else None
        if isinstance(called, ast.Attribute) and called.attr in CLOSENESS:
            given = {keyword.arg for keyword in node.keywords}
            assert "atol" in given, f"{path}:{node.lineno}"


def test_readme_and_ci_run_the_same_test_command() -> None:
    command = "bash .ci/setup && .venv/bin/python -m pytest -n 2"
    for name in ("README.md", ".ci/run"):
        lines = [line.strip() for line in (ROOT / name).read_text().splitlines()]
        assert command in lines, f"{name} lacks the line: {command}"


def test_top_level_is_what_it_should_be() -> None:
    allowed = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "ascan", "tests",
               "benches", "synthetic", "demo", "build"}  # fmt: skip
    found = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")}
    strays = {name for name in found - allowed if not name.endswith(".egg-info")}
    assert strays == set()


def test_every_room_is_packed() -> None:
    """What is not named in pyproject.toml is missing from an installed copy."""
    with (ROOT / "pyproject.toml").open("rb") as file:
        packed = set(tomllib.load(file)["tool"]["setuptools"]["packages"])
    folders = {"ascan"} | {
        f"ascan.{folder.parent.relative_to(PACKAGE).as_posix().replace('/', '.')}"
        for folder in PACKAGE.glob("*/**/__init__.py")
    }
    assert packed == folders | {"ascan_synthetic"}
