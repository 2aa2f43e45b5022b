"""What a case of the guard is, and how one is made of synthetic signals and written to files."""

from __future__ import annotations

import dataclasses
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from ascan_synthetic.synthesis import Synthesis
from ascan_synthetic.tables import Scenario, StackTable, WallTable

sys.path.insert(0, str(Path(__file__).resolve().parent))
import setups

AnyArray = np.ndarray[Any, Any]
U_STEP_MM = 0.003


@dataclass(frozen=True)
class Records:
    """Waveforms and what they mean, as a scan file has it."""

    waveforms: AnyArray
    meaning: dict[str, Any] = field(default_factory=dict)

    def save(self, path: Path) -> None:
        """Write a scan file."""
        np.savez(path, waveforms=self.waveforms, **self.meaning)


@dataclass(frozen=True)
class Case:
    """One procedure, the block it is calibrated on, and what is measured with it.

    ``known_mm`` by channel where each channel has its own calibration.
    """

    name: str
    procedure: str
    block: Records
    known_mm: AnyArray
    components: dict[str, Records]
    u_known_mm: float = U_STEP_MM


def meaning_of(made: Synthesis) -> dict[str, Any]:
    record = made.scenario.record
    full = made.full_scale
    return {
        "sample_rate_mhz": record.sample_rate_mhz,
        "start_time_us": record.start_us,
        "full_scale": full,
        "clip_low": -full,
        "clip_high": full - 1.0,
    }


def records_of(made: Synthesis, codes: AnyArray | None = None, **more: Any) -> Records:
    waveforms = made.waveforms() if codes is None else codes
    return Records(waveforms, meaning_of(made) | more)


def on_steps(clean: Scenario, steps_mm: tuple[float, ...], readings: int, seed: int) -> Synthesis:
    wall = WallTable(steps_mm=steps_mm, readings=readings)
    return Synthesis(dataclasses.replace(clean, seed=seed, wall=wall))


def on_plates(clean: Scenario, walls_mm: tuple[float, float], rows: int, seed: int) -> Synthesis:
    wall = WallTable(uniform_mm=walls_mm, count=rows)
    return Synthesis(dataclasses.replace(clean, seed=seed, wall=wall))


def known_of(made: Synthesis) -> AnyArray:
    return np.asarray(made.truth_columns()["true_mean_mm"])


def plain(arrangement: str, **probe: Any) -> Scenario:
    """Return clean signals of a kind of probe, as the set-ups of `setups` have them."""
    of = {setup.arrangement: setup.clean for setup in setups.setups()}
    clean = of[arrangement]
    return dataclasses.replace(clean, probe=dataclasses.replace(clean.probe, **probe))


def case(
    name: str,
    procedure: str,
    clean: Scenario,
    steps_mm: tuple[float, ...],
    walls_mm: tuple[float, float],
    rows: int,
    **more: Scenario,
) -> Case:
    """Return a case on plates of random thickness; ``more`` are other signals of the same walls."""
    made = on_steps(clean, steps_mm, 4, 31)
    components = {"clean": records_of(on_plates(clean, walls_mm, rows, 32))}
    for label, other in more.items():
        components[label] = records_of(on_plates(other, walls_mm, rows, 33))
    return Case(name, procedure, records_of(made), known_of(made), components)


def noisy(clean: Scenario, noise: float) -> Scenario:
    return dataclasses.replace(clean, receiver=dataclasses.replace(clean.receiver, noise=noise))


def stacked(clean: Scenario, **stack: Any) -> Scenario:
    return dataclasses.replace(clean, stack=StackTable(**stack))


def write_case(one: Case, folder: Path) -> None:
    """Write a case to a folder of its own name."""
    home = folder / one.name.replace(" ", "_").replace(",", "")
    (home / "components").mkdir(parents=True)
    (home / "procedure.toml").write_text(one.procedure)
    (home / "u_known_mm").write_text(repr(one.u_known_mm))
    one.block.save(home / "block.npz")
    np.save(home / "known_mm.npy", one.known_mm)
    for k, (name, records) in enumerate(one.components.items()):
        records.save(home / "components" / f"{k:02d} {name.replace('/', '-')}.npz")
