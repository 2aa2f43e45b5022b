"""Trials on signals of other physics: layered media in closed form, and corroded ground.

The signals come from `physics`, which shares no code with the engine or with `synthetic/`; here
stand the procedures that measure them, and what is drawn.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from elastic import SETUPS
from physics import grounds, kirchhoff, pulses, rasters
from physics.grain import Grain
from physics.layered_records import Disturbances, Setup, records
from physics.layers import WATER
from setups import SECOND, TO_ECHO, WHOLE
from trial import Trial, of_records

from ascan import Procedure

GATES = """
[[gate]]
name = "surface"
start_us = BEGIN
stop_us = END
threshold = 0.02
echo = "largest"
TIMING
[[gate]]
name = "wall"
follows = "surface"
start_mm = NEAREST
stop_mm = 22.0
threshold = 0.015
echo = "largest"
TIMING
"""
BAND = 'filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }\n'
LINE = """
probe = { arrangement = "delay_line", frequency_mhz = 5.0, delay_us = 0.55,
          element_diameter_mm = 6.0 }
""".replace("\n          ", " ")
IN_WATER = LINE.replace("delay_line", "immersion")
CONTACT = """
probe = { arrangement = "contact", frequency_mhz = 5.0, delay_us = 0.55 }
interval = { mode = "time_zero_to_echo", gates = ["wall"], diffraction = "round_element" }
[[gate]]
name = "wall"
start_mm = 1.8
stop_mm = 22.0
threshold = 0.05
half_cycles = "negative"
""".replace("delay_us = 0.55", "delay_us = 0.55, element_diameter_mm = 6.0")
BETWEEN = 'interval = { mode = "echo_to_echo", gates = ["wall", "second"] }\n'
BY_TEMPLATE = 'timing = "correlation"'


def _gates(begin_us: float, timing: str = "", nearest_mm: float = 2.4, more: str = "") -> str:
    """Return the gates of an interface echo within 4 µs and of the wall that follows it."""
    stated = {
        "BEGIN": begin_us, "END": begin_us + 4.0, "TIMING": timing, "NEAREST": nearest_mm,
    }  # fmt: skip
    text = GATES + more
    for word, value in stated.items():
        text = text.replace(word, str(value))
    return text


# Of each way of measuring: arrangement, procedure, and the steps of its block in mm.
LAYERED = {
    "line to echo": ("delay_line", LINE + BAND + TO_ECHO + _gates(8.0), (3, 6, 12, 20)),
    "line to echo, template": (
        "delay_line", LINE + TO_ECHO + _gates(8.0, BY_TEMPLATE), (3, 6, 12, 20),
    ),
    "line, whole record": ("delay_line", LINE + WHOLE + _gates(8.0, "", 1.2), (2, 5, 10, 20)),
    "contact": ("contact", BAND + CONTACT, (3, 6, 12, 20)),
    "water to echo": (
        "immersion", IN_WATER + TO_ECHO + _gates(32.5, BY_TEMPLATE), (3, 6, 12, 20),
    ),
    "water, echo to echo": (
        "immersion", IN_WATER + BETWEEN + _gates(32.5, BY_TEMPLATE, 2.4, f"{SECOND}TIMING\n"),
        (3, 6, 12, 20),
    ),
    "water, whole record": ("immersion", IN_WATER + WHOLE + _gates(32.5, "", 1.2), (2, 5, 10, 20)),
}  # fmt: skip
# Coupling within 10 dB, water paths that drift, grain 24 to 34 dB below, 25 to 45 dB over noise.
ORDINARY = {
    "quiet": Disturbances(snr_db=42.0, coupling_spread_db=1.0, jitter_ns=1.0),
    "coupling": Disturbances(snr_db=36.0, coupling_spread_db=4.0, jitter_ns=1.0),
    "noisy": Disturbances(snr_db=26.0, coupling_spread_db=2.0, jitter_ns=1.0),
    "grain": Disturbances(snr_db=40.0, coupling_spread_db=2.0, grain=Grain(below_db=30.0)),
}


def _setup_of(arrangement: str, rng: np.random.Generator) -> Setup:
    """Return a probe with a pulse of its own, and a record as long as it needs."""
    pulse = pulses.drawn(rng, 5.0)
    if arrangement == "contact":
        return Setup(arrangement="contact", pulse=pulse, samples=1800, bits=12, gain=1.5)
    if arrangement == "immersion":
        return Setup(
            arrangement="immersion", pulse=pulse, path=WATER, path_mm=25.0, films=(),
            start_us=32.0, samples=2000, bits=14, gain=0.6,
        )  # fmt: skip
    return Setup(
        arrangement="delay_line", pulse=pulse, start_us=8.0, samples=1000, bits=14, gain=1.2
    )


def of_layered(name: str, seed: int, rows: int) -> Iterator[Trial]:
    """Yield ordinary work on layered media: a pulse and a block each, walls within the steps."""
    arrangement, text, steps_mm = LAYERED[name]
    procedure = Procedure.from_text(text)
    for k, (what, disturbed) in enumerate(ORDINARY.items()):
        rng = np.random.default_rng([seed, k])
        setup = _setup_of(arrangement, rng)
        known = np.repeat(np.array(steps_mm, np.float64), 3)
        block = records(setup, known, ORDINARY["quiet"], rng)
        walls = rng.uniform(steps_mm[0] + 0.2, steps_mm[-1] - 0.5, rows)
        yield of_records(name, procedure, block, records(setup, walls, disturbed, rng), what)


GROUND = {
    "contact": (kirchhoff.CONTACT, rasters.Digitiser(snr_db=40.0, samples=1400)),
    "surface to echo": (kirchhoff.DELAY_LINE, rasters.Digitiser(snr_db=40.0, samples=2400)),
}


def of_ground(
    name: str, seed: int, rows: int, kinds: tuple[str, ...] = tuple(grounds.KINDS)
) -> Iterator[Trial]:
    """Yield rasters over kinds of corroded ground, as near to ``rows`` as a square is."""
    probe, digitiser = GROUND[name]
    procedure = Procedure.from_text(SETUPS[name][1])
    block = rasters.steps((3.0, 5.0, 8.0, 12.0), 5, probe, digitiser, seed)
    side = max(round(rows**0.5), 2)
    for k, kind in enumerate(grounds.KINDS):
        if kind not in kinds:
            continue
        scanning = rasters.Scanning(columns=side, rows=side, pitch_mm=32.0 / side)
        ground = grounds.draw(kind, seed + k)
        scanned = rasters.raster(ground, probe, scanning, digitiser, seed + k)
        yield of_records(name, procedure, block, scanned, kind)
