"""Pages do what they say: their code runs, every mark has its cure, sentences can be followed."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import numpy as np
import pytest

import ascan
from ascan.base.flags import MEANINGS
from ascan.commands.cli import main

GUIDE = Path(ascan.__file__).parent / "guide"
TUTORIALS = sorted((GUIDE / "tutorials").glob("*.md"))
MOST_WORDS = 22.0


def fenced(page: Path, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", page.read_text("utf-8"), re.M | re.S)


@pytest.mark.parametrize("name", ["instrument-loop", "methods-compared"])
def test_the_python_of_a_tutorial_runs_from_top_to_bottom(name: str) -> None:
    pieces = fenced(GUIDE / "tutorials" / f"{name}.md", "python")
    assert len(pieces) > 1
    whole: dict[str, object] = {"__name__": "tutorial"}
    for piece in pieces:
        exec(compile(piece, name, "exec"), whole)


def test_the_first_hour_runs_on_the_files_of_the_demo(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its first block of commands, as printed, ends in readings; the block comes as CSV."""
    monkeypatch.chdir(tmp_path)
    assert main(["demo", "--quiet"]) == 0
    assert main(["export", "demo/block.h5", "-o", "block.csv"]) == 0
    shutil.copy("demo/component.h5", "component.h5")
    commands = fenced(GUIDE / "tutorials" / "first-hour.md", "sh")[0].splitlines()
    assert len(commands) == 5
    for command in commands:
        program, *words = shlex.split(command)
        assert program == "ascan"
        assert main(words) == 0, f"{command}: {capsys.readouterr().err}"
    with ascan.open_scan("component.h5") as scan:
        assert len(ascan.load_readings("readings.h5")) == len(scan)


def test_every_flag_has_its_cure() -> None:
    headings = re.findall(r"^## (\w+)$", (GUIDE / "how-to" / "cures.md").read_text("utf-8"), re.M)
    assert headings == [str(flag.name).lower() for flag in MEANINGS]


def sentences(text: str) -> list[str]:
    """Return the sentences of a page: no code, no tables, no headings."""
    text = re.sub(r"^```.*?^```", "", text, flags=re.M | re.S)
    kept = [line for line in text.splitlines() if not line.startswith(("|", "#", "<"))]
    plain = re.sub(r"\[([^]]*)\]\([^)]*\)", r"\1", "\n".join(kept))
    return [one for one in re.split(r"[.:;?!](?:\s|$)", plain) if len(one.split()) > 1]


@pytest.mark.parametrize("page", [*TUTORIALS, GUIDE / "how-to" / "cures.md"], ids=lambda p: p.stem)
def test_a_page_is_read_without_losing_breath(page: Path) -> None:
    lengths = [len(one.split()) for one in sentences(page.read_text("utf-8"))]
    assert np.mean(lengths) <= MOST_WORDS
    assert max(lengths) <= 60


def test_what_a_flag_means_is_short() -> None:
    assert np.mean([len(meaning.split()) for meaning in MEANINGS.values()]) <= MOST_WORDS
