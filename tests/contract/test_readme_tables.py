"""The tables of the guide say what the code enforces; its pages hang together."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path
from types import ModuleType

import pytest

from ascan.commands.cli import main

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
    for page in writer.pages_of():
        text = page.read_text(encoding="utf-8")
        assert writer.filled(text) == text, f"{page}: run python benches/readme.py"


def test_every_table_is_there_once(writer: ModuleType) -> None:
    names = [
        name
        for page in writer.pages_of()
        for name, _ in writer.MARK.findall(page.read_text(encoding="utf-8"))
    ]
    assert sorted(names) == sorted(writer.TABLES)


def test_another_word_in_the_code_would_show(writer: ModuleType) -> None:
    text = (writer.GUIDE / "reference" / "flags.md").read_text(encoding="utf-8")
    assert "| `no_echo` | fatal |" in text
    assert writer.filled(text.replace("| `no_echo` | fatal |", "| `no_echo` | care |")) == text


def test_links_lead_somewhere(writer: ModuleType) -> None:
    """Every link between README and pages is to a file that is there."""
    pages = [ROOT / "README.md", *writer.pages_of()]
    assert len(pages) > 10
    for page in pages:
        for target in re.findall(r"\]\(([^)#]+)\)", page.read_text(encoding="utf-8")):
            if "://" not in target:
                assert (page.parent / target).is_file(), f"{page}: {target}"


def test_readme_is_short_enough_to_be_finished() -> None:
    assert len((ROOT / "README.md").read_text(encoding="utf-8").splitlines()) <= 120


def test_the_guide_is_read_without_a_network(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["guide"]) == 0
    listed = capsys.readouterr().out
    for page in sorted((ROOT / "ascan" / "guide").glob("**/*.md")):
        assert f"  {page.stem} " in listed
        assert main(["guide", page.stem]) == 0
        assert capsys.readouterr().out.startswith("# ")
    assert main(["guide", "frist-hour"]) == 2
    assert "first-hour" in capsys.readouterr().err
