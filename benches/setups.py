"""Ways of measuring that the benches try: procedure, clean signals, step block, range of walls.

`SETUPS` are those of `faults`; `MORE` are arrangements and modes that `verdict` tries besides.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from ascan_synthetic.synthesis import Synthesis
from ascan_synthetic.tables import ProbeTable, ReceiverTable, RecordTable, Scenario, WallTable

from ascan import Calibration, Procedure, Scan, calibrate
from ascan.kernels.arrays import AnyArray

U_STEP_MM = 0.003
DELAY_LINE = """
probe = { arrangement = "delay_line", frequency_mhz = 5.0, delay_us = 0.35,
          element_diameter_mm = 6.0 }
INTERVAL
uncertainty = { component_velocity_percent = 0.1 }
[[gate]]
name = "surface"
start_us = 8.0
stop_us = 11.0
threshold = 0.02
echo = "largest"
TIMING
[[gate]]
name = "wall"
follows = "surface"
start_mm = 1.5
stop_mm = 22.0
threshold = 0.01
echo = "largest"
TIMING
""".replace("\n          ", " ")
SECOND = """
[[gate]]
name = "second"
follows = "wall"
start_mm = 1.5
stop_mm = 22.0
threshold = 0.005
half_cycles = "same"
"""
CONTACT = """
probe = { arrangement = "contact", frequency_mhz = 5.0, delay_us = 0.35 }
filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }
interval = { mode = "time_zero_to_echo", gates = ["wall"] }
uncertainty = { component_velocity_percent = 0.1 }
[[gate]]
name = "wall"
start_mm = 2.0
stop_mm = 22.0
threshold = 0.015
half_cycles = "negative"
"""
TRAIN = """
probe = { arrangement = "contact", frequency_mhz = 5.0, delay_us = 0.35 }
interval = { mode = "echo_to_echo", gates = ["walls"] }
uncertainty = { component_velocity_percent = 0.1 }
[[gate]]
name = "walls"
start_us = 0.6
stop_us = 7.5
threshold = 0.03
echo = "train"
"""
DUAL = """
probe = { arrangement = "dual", frequency_mhz = 5.0, delay_us = 0.35, wedge_height_mm = 8.0,
          wedge_velocity_mm_per_us = 2.35, roof_deg = 3.5, element_width_mm = 5.0,
          element_length_mm = 8.0, element_gap_mm = 1.0 }
filter = { kind = "band_pass", low_mhz = 1.5, high_mhz = 9.0 }
interval = { mode = "MODE", gates = ["wall"] }
uncertainty = { component_velocity_percent = 0.1 }
[[gate]]
name = "wall"
start_mm = -1.0
stop_mm = 30.0
echo = "first_arrival"
""".replace("\n          ", " ")
WHOLE = (
    'interval = { mode = "whole_record", gates = ["surface", "wall"], '
    'diffraction = "round_element" }'
)
TO_ECHO = 'interval = { mode = "interface_to_echo", gates = ["surface", "wall"] }'
BETWEEN = (
    'filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }\n'
    'interval = { mode = "echo_to_echo", gates = ["wall", "second"] }'
)
FEW_MM, MANY_MM = (3.0, 6.0, 12.0, 20.0), (2.0, 5.0, 10.0, 20.0)


@dataclass(frozen=True)
class Setup:
    """One way of measuring, on clean signals."""

    name: str
    procedure: Procedure
    clean: Scenario
    steps_mm: tuple[float, ...]
    walls_mm: tuple[float, float]

    @property
    def arrangement(self) -> str:
        """The probe's."""
        return self.clean.probe.arrangement

    @property
    def sees_surface(self) -> bool:
        """Whether an interface echo is part of the record."""
        return self.arrangement in ("delay_line", "immersion")

    @property
    def is_thin(self) -> bool:
        """Whether its walls are thinner than single echoes need."""
        return self.walls_mm[1] < 3.0

    def with_walls(self, seed: int, rows: int) -> Scenario:
        """Return the clean signals on plates of random thickness."""
        walls = WallTable(uniform_mm=self.walls_mm, count=rows)
        return dataclasses.replace(self.clean, seed=seed, wall=walls)

    def block(self, seed: int) -> Synthesis:
        """Return the clean step block."""
        wall = WallTable(steps_mm=self.steps_mm, readings=4)
        return Synthesis(dataclasses.replace(self.clean, seed=seed, wall=wall))

    def calibration(self, seed: int) -> Calibration:
        """Calibrate on the clean block."""
        made = self.block(seed)
        scan = scan_of(made, made.waveforms())
        return calibrate(scan, self.procedure, known_of(made), u_known_mm=U_STEP_MM)


def known_of(made: Synthesis) -> AnyArray:
    return np.asarray(made.truth_columns()["true_mean_mm"])


def scan_of(made: Synthesis, codes: AnyArray, **columns: AnyArray) -> Scan:
    full, rate = made.full_scale, made.scenario.record.sample_rate_mhz
    return Scan.from_array(
        codes,
        sample_rate_mhz=rate,
        start_time_us=made.scenario.record.start_us,
        columns=columns,
        full_scale=full,
        clip_low=-full,
        clip_high=full - 1.0,
    )


def behind_line() -> Scenario:
    return Scenario(
        record=RecordTable(samples=1000, start_us=8.0, bits=14),
        probe=ProbeTable(
            arrangement="delay_line", radius_mm=3.0, path_mm=12.0, phase_deg=20.0, delay_us=0.35
        ),
        receiver=ReceiverTable(gain=0.5, noise=0.0007, jitter_ns=2.0, gain_spread_db=1.0),
    )


def behind_longer_line() -> Scenario:
    """Return signals of so long a line that three echoes come before it repeats."""
    line = behind_line()
    return dataclasses.replace(
        line,
        record=RecordTable(samples=2200, start_us=18.0, bits=14),
        probe=dataclasses.replace(line.probe, path_mm=26.0, radius_mm=0.0),
    )


def in_contact() -> Scenario:
    return Scenario(
        record=RecordTable(samples=1800, start_us=0.0, bits=12),
        probe=ProbeTable(arrangement="contact", radius_mm=3.0, delay_us=0.35),
        receiver=ReceiverTable(gain=0.6, noise=0.004, gain_spread_db=1.0),
    )


def thin_in_contact() -> Scenario:
    contact = in_contact()
    return dataclasses.replace(contact, probe=dataclasses.replace(contact.probe, radius_mm=0.0))


def in_water() -> Scenario:
    """Return signals of 20 mm of water that changes by 1 mm; its repeat comes behind the record."""
    return Scenario(
        record=RecordTable(samples=2000, start_us=24.0, bits=14),
        probe=ProbeTable(
            arrangement="immersion", radius_mm=3.0, path_mm=20.0, path_wander_mm=1.0, delay_us=0.35
        ),
        receiver=ReceiverTable(gain=0.6, noise=0.0007, gain_spread_db=1.0),
    )


def in_water_without_diffraction() -> Scenario:
    """Return the same of plane waves: diffraction bends the line of single echoes through steps."""
    water = in_water()
    return dataclasses.replace(water, probe=dataclasses.replace(water.probe, radius_mm=0.0))


def of_dual() -> Scenario:
    return Scenario(
        record=RecordTable(samples=1600, start_us=4.0, bits=14),
        probe=ProbeTable(arrangement="dual", delay_us=0.35),
        receiver=ReceiverTable(gain=0.4, noise=0.004, gain_spread_db=1.0),
    )


def by_line(interval: str, timing: str) -> str:
    filled = DELAY_LINE.replace("INTERVAL", interval)
    return filled.replace("TIMING", f'timing = "{timing}"')


def far(text: str) -> str:
    """Return a text's gates of echo to echo, behind a longer line, one polarity only."""
    text = text.replace("8.0\nstop_us = 11.0", "18.0\nstop_us = 23.0")
    return text.replace(
        'threshold = 0.01\necho = "largest"', 'threshold = 0.01\nhalf_cycles = "negative"'
    )


def wet(text: str) -> str:
    text = text.replace('"delay_line"', '"immersion"')
    return text.replace("8.0\nstop_us = 11.0", "25.0\nstop_us = 31.0")


def _setup(
    name: str, text: str, clean: Scenario, steps: tuple[float, ...], walls: tuple[float, float]
) -> Setup:
    return Setup(name, Procedure.from_text(text), clean, steps, walls)


def dual(mode: str) -> str:
    return DUAL.replace("MODE", mode)


SETUPS: dict[str, Callable[[], Setup]] = {
    "whole record": lambda: _setup(
        "whole record", by_line(WHOLE, "peak"), behind_line(), MANY_MM, (2.2, 19.0)
    ),
    "surface to echo": lambda: _setup(
        "surface to echo", by_line(TO_ECHO, "correlation"), behind_line(), FEW_MM, (3.0, 19.0)
    ),
    "echo to echo": lambda: _setup(
        "echo to echo",
        far(by_line(BETWEEN, "peak")) + SECOND,
        behind_longer_line(),
        FEW_MM,
        (3.0, 19.0),
    ),
    "contact": lambda: _setup("contact", CONTACT, in_contact(), FEW_MM, (3.0, 19.0)),
    "dual head": lambda: _setup(
        "dual head", dual("time_zero_to_echo"), of_dual(), MANY_MM, (2.2, 19.0)
    ),
    "dual whole": lambda: _setup(
        "dual whole", dual("whole_record"), of_dual(), MANY_MM, (2.2, 19.0)
    ),
}
MORE: dict[str, Callable[[], Setup]] = {
    "water, whole record": lambda: _setup(
        "water, whole record", wet(by_line(WHOLE, "peak")), in_water(), MANY_MM, (2.2, 19.0)
    ),
    "water, surface to echo": lambda: _setup(
        "water, surface to echo",
        wet(by_line(TO_ECHO, "correlation")),
        in_water_without_diffraction(),
        FEW_MM,
        (3.0, 19.0),
    ),
    "water, echo to echo": lambda: _setup(
        "water, echo to echo",
        wet(by_line(BETWEEN, "peak")) + SECOND,
        in_water(),
        FEW_MM,
        (3.0, 19.0),
    ),
    "train": lambda: _setup("train", TRAIN, thin_in_contact(), (0.8, 1.2, 2.0), (0.9, 1.9)),
}


def setups() -> list[Setup]:
    """Return the set-ups of `faults`."""
    return [make() for make in SETUPS.values()]


def every_setup() -> dict[str, Callable[[], Setup]]:
    """Return all set-ups by name."""
    return SETUPS | MORE
