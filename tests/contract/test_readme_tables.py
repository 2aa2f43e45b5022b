"""The tables of README say what the code enforces."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def writer() -> ModuleType:
    spec = importlib.util.spec_from_file_location("readme", ROOT / "benches" / "readme.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_every_table_is_as_the_code_has_it(writer: ModuleType) -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert writer.filled(text) == text, "run python benches/readme.py"


def test_every_table_is_there(writer: ModuleType) -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert [name for name, _ in writer.MARK.findall(text)] != []
    assert {name for name, _ in writer.MARK.findall(text)} == set(writer.TABLES)


def test_another_word_in_the_code_would_show(writer: ModuleType) -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert writer.filled(text.replace("| `no_echo` | fatal |", "| `no_echo` | care |")) == text
