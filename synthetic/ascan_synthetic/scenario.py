"""Scenarios: TOML files that say probe, wall, receiver and seed; some come with the package."""

from __future__ import annotations

import tomllib
from importlib import resources
from pathlib import Path

from ascan_synthetic.tables import Scenario, WallTable, build

MOST_WAVEFORMS = 10_000_000
ARRANGEMENTS = ("contact", "delay_line", "immersion", "dual")
# A roughness of more than this share of the wall reaches through it somewhere (4 sigma).
ROUGHEST = 1.0 / 4.0


def parse_scenario(text: str) -> Scenario:
    """Return the scenario in a TOML text.

    Raises
    ------
    ValueError
        Not TOML, an unknown key, a value of the wrong kind, or values that do not fit together.
    """
    scenario = build(Scenario, tomllib.loads(text), "")
    check_together(scenario)
    return scenario


def named_scenarios() -> list[str]:
    """Return the names of the scenarios that come with the package."""
    folder = resources.files("ascan_synthetic") / "scenarios"
    return sorted(entry.name.removesuffix(".toml") for entry in folder.iterdir())


def load_scenario(name: str | Path) -> Scenario:
    """Return a named scenario, or the one in a TOML file."""
    if str(name) in named_scenarios():
        file = resources.files("ascan_synthetic") / "scenarios" / f"{name}.toml"
        return parse_scenario(file.read_text(encoding="utf-8"))
    return parse_scenario(Path(name).read_text(encoding="utf-8"))


def check_together(scenario: Scenario) -> None:
    """Refuse numbers that fit alone and not together.

    Raises
    ------
    ValueError
    """
    record, probe, wall = scenario.record, scenario.probe, scenario.wall
    if record.bits < 2:
        raise ValueError(f"record.bits: is {record.bits}; wanted 2 or more")
    if probe.arrangement not in ARRANGEMENTS:
        allowed = ", ".join(ARRANGEMENTS)
        raise ValueError(f"probe.arrangement: is '{probe.arrangement}'; allowed: {allowed}")
    highest = 0.5 * record.sample_rate_mhz
    if probe.pulse != "template" and probe.centre_mhz >= highest:
        raise ValueError(
            f"probe.centre_mhz: is {probe.centre_mhz:g} MHz; wanted below half the sample rate, "
            f"{highest:g} MHz"
        )
    _check_span("wall.uniform_mm", wall.uniform_mm)
    _check_span("wall.pit_width_mm", wall.pit_width_mm)
    _check_span("receiver.noise_band_mhz", scenario.receiver.noise_band_mhz)
    _check_wall(wall)


def _check_span(place: str, span: tuple[float, ...]) -> None:
    if span and (len(span) != 2 or span[0] > span[1]):
        raise ValueError(f"{place}: is {list(span)}; wanted [least, most]")


def _check_wall(wall: WallTable) -> None:
    if wall.steps_mm and wall.uniform_mm:
        raise ValueError("wall: states steps_mm and uniform_mm; wanted one of them")
    if wall.uniform_mm and not wall.count:
        raise ValueError("wall.count: is 0; wanted the number of plates beside uniform_mm")
    raster = wall.columns * wall.rows
    count = len(wall.steps_mm) * wall.readings or (wall.count if wall.uniform_mm else raster)
    if count > MOST_WAVEFORMS:
        raise ValueError(f"wall: makes {count} waveforms; wanted {MOST_WAVEFORMS} at most")
    thinnest = min(wall.steps_mm or wall.uniform_mm or (wall.nominal_mm,))
    depths = [float(pit.get("depth_mm", 0.0)) for pit in wall.pit]
    deepest = max([wall.deepest_mm if wall.pits else 0.0, *depths])
    if deepest >= thinnest:
        raise ValueError(
            f"wall: has a pit {deepest:g} mm deep in a wall of {thinnest:g} mm; wanted shallower"
        )
    if wall.rough_rms_mm > ROUGHEST * thinnest:
        raise ValueError(
            f"wall.rough_rms_mm: is {wall.rough_rms_mm:g} mm; wanted at most "
            f"{ROUGHEST * thinnest:g} mm on a wall of {thinnest:g} mm"
        )
