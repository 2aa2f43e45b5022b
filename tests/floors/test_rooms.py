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

# Floor of each room, and the rooms below that it may import besides base and kernels. The list is
# what a room needs, not all that lies below it.
ROOMS: dict[str, tuple[float, str]] = {
    "base": (0, ""),
    "kernels": (0, ""),
    "waveform": (1, ""),
    "path": (1, ""),
    "results": (1, ""),
    "uncertainty": (1, ""),
    "finding": (1, ""),
    "steps": (1, ""),
    "timing": (2, "waveform finding"),
    "checks": (2, "waveform path results finding steps"),
    "calibration": (2, "waveform path steps"),
    "survey": (2, "results uncertainty"),
    "whole_record": (3, "waveform path steps checks"),
    "procedure": (3, "waveform path results uncertainty finding timing checks"),
    "echo": (3, "waveform path finding timing checks"),
    "engine": (
        4,
        "waveform path results uncertainty finding steps timing checks calibration whole_record "
        "procedure echo",
    ),
    "learning": (
        5,
        "waveform path results uncertainty finding steps timing checks calibration whole_record "
        "procedure engine echo",
    ),
    "store": (5, "waveform results steps timing checks calibration survey procedure engine"),
    "study": (
        6,
        "waveform path results uncertainty finding steps timing checks calibration whole_record "
        "procedure engine learning",
    ),
    "drafting": (
        6, "waveform path results calibration survey procedure engine learning",
    ),
    "report": (
        6, "results uncertainty waveform calibration survey timing engine store",
    ),
}  # fmt: skip
# These may import whatever lies on a lower floor; commands join the two towers.
TOP = {"commands": 7, "examples": 7}
FOUNDATION = {"base", "kernels"}
# Libraries that are imported in one room only.
LIBRARIES = {
    "numba": {"kernels"},
    "h5py": {"store"},
    "matplotlib": {"report"},
    "tqdm": {"commands"},
}

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
        allowed = LIBRARIES.get(top, {room})
        assert room in allowed, f"{where} imports {top} outside {allowed}"
        if top == "ascan_synthetic":
            assert room == "commands", f"{where}: the two towers meet in commands only"
        if top == "ascan" and rest:
            other = rest.split(".")[0]
            assert other == room or other in below(room), f"{where} imports {name}"


def below(room: str) -> set[str]:
    """Return the rooms that a room may import."""
    if room in TOP:
        return set(ROOMS)
    floor, named = ROOMS[room]
    return set(named.split()) | (FOUNDATION if floor > 0 else set())


def test_rooms_import_strictly_lower_floors() -> None:
    for room, (floor, _) in ROOMS.items():
        for other in below(room):
            assert ROOMS[other][0] < floor, f"{room} may import {other}"


def test_every_folder_is_a_room_and_few_modules_are_loose() -> None:
    folders = {path.name for path in PACKAGE.iterdir() if (path / "__init__.py").exists()}
    loose = {path.stem for path in PACKAGE.glob("*.py")}
    assert folders | loose == set(ROOMS) | set(TOP) | {"__init__"}


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
