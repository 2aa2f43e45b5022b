"""What users write down: names in Python, columns, flags and their bits, keys, commands, options.

The list is kept beside this file by hand. A name that goes, or comes, is a promise broken, or made:
then the list is changed in the same commit, and a name that went is still read for two minor
versions (DEVELOPERS.md, *Names that are promised*).
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import re
from pathlib import Path
from typing import Any

import pytest

import ascan
from ascan.checks.limits import limits_of
from ascan.checks.table import columns
from ascan.commands import cli
from ascan.procedure import written
from ascan.results import readings
from ascan.timing.protocol import METHODS, method_class

LIST = json.loads(Path(__file__).with_name("promised_names.json").read_text())
ROOT = Path(__file__).resolve().parents[2]
README = "".join(
    page.read_text() for page in (ROOT / "README.md", *sorted(ROOT.glob("ascan/guide/*/*.md")))
)


def keys_of(kind: Any) -> list[str]:
    return sorted(each.name for each in dataclasses.fields(kind) if each.init)


def options() -> dict[str, list[str]]:
    """Return every option of every command."""
    parser = cli.build_parser("", every=True)
    commands = next(a for a in parser._actions if isinstance(a, argparse._SubParsersAction))
    return {
        name: sorted(word for action in sub._actions for word in action.option_strings)
        for name, sub in commands.choices.items()
    }


def found() -> dict[str, Any]:
    """Return the names that the code has."""
    return {
        "python": sorted(ascan.__all__),
        "columns": sorted([*readings.RESULT_COLUMNS, *columns(of_gate=False)]),
        "gate columns": sorted([*readings.GATE_COLUMNS, *columns(of_gate=True)]),
        "flags": {str(flag.name).lower(): int(flag).bit_length() - 1 for flag in ascan.Flag},
        "tables": {name: keys_of(kind) for name, kind in written._TABLES.items()}
        | {"checks": sorted(limits_of({}))},
        "gate": keys_of(written.Gate),
        "methods": {name: keys_of(method_class(name, "timing")) for name in sorted(METHODS)},
        "commands": options(),
        "modules in README": sorted(set(re.findall(r"\bascan\.[a-z_]+\b(?!\()", README))),
    }


@pytest.mark.parametrize("kind", sorted(LIST))
def test_what_is_promised_is_what_is_there(kind: str) -> None:
    assert found()[kind] == LIST[kind]


def test_every_kind_is_listed() -> None:
    assert set(found()) == set(LIST)
