"""Scenarios: TOML files that say probe, wall, receiver and seed; some come with the package."""

from __future__ import annotations

import tomllib
from importlib import resources
from pathlib import Path

from ascan_synthetic.tables import Scenario, build


def parse_scenario(text: str, place: str = "scenario") -> Scenario:
    """Return the scenario in a TOML text.

    Raises
    ------
    ValueError
        Not TOML, an unknown key, or a value of the wrong kind.
    """
    return build(Scenario, tomllib.loads(text), place)


def named_scenarios() -> list[str]:
    """Return the names of the scenarios that come with the package."""
    folder = resources.files("ascan_synthetic") / "scenarios"
    return sorted(entry.name.removesuffix(".toml") for entry in folder.iterdir())


def load_scenario(name: str | Path) -> Scenario:
    """Return a named scenario, or the one in a TOML file."""
    if str(name) in named_scenarios():
        file = resources.files("ascan_synthetic") / "scenarios" / f"{name}.toml"
        return parse_scenario(file.read_text(encoding="utf-8"), str(name))
    return parse_scenario(Path(name).read_text(encoding="utf-8"), str(name))
