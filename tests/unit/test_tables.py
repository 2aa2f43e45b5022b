"""Strict tables: the error names the place, the nearest key, the user's unit, the way out."""

from __future__ import annotations

import pytest
from builders import wall_procedure

from ascan import AscanError, Procedure

GOOD = """
probe = { arrangement = "contact", frequency_mhz = 5.0 }
interval = { mode = "time_zero_to_echo", gates = ["wall"] }
[[gate]]
name = "wall"
start_mm = 2.0
stop_mm = 20.0
threshold = 0.2
"""


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("start_mm", "strat_mm", ["gate 'wall'", "unknown key 'strat_mm'", "'start_mm'"]),
        ("start_mm = 2.0", "start_in = 0.2", ["'start_mm'", "0.2 in is start_mm = 5.08"]),
        ("start_mm = 2.0", "start_ns = 700", ["'start_us'", "700 ns is start_us = 0.7"]),
        ("threshold", "treshold", ["did you mean 'threshold'?"]),
        ("frequency_mhz = 5.0", "frequency_khz = 5000", ["5000 kHz is frequency_mhz = 5"]),
        ("threshold = 0.2", "threshold = 1.5", ["gate 'wall'.threshold", "is 1.5", "at most 1"]),
        ("threshold = 0.2", "threshold = 0.0", ["gate 'wall'.threshold", "above 0"]),
        ("threshold = 0.2", 'threshold = "high"', ["gate 'wall'.threshold", "a number"]),
        ("threshold = 0.2", "threshold = nan", ["gate 'wall'.threshold", "is nan"]),
        ("threshold = 0.2", "threshold = true", ["gate 'wall'.threshold", "a number"]),
        ("stop_mm = 20.0", "stop_mm = 1.0", ["gate 'wall'", "start before stop"]),
        ("stop_mm = 20.0", "", ["gate 'wall'", "start before stop"]),
        ("start_mm = 2.0", "start_us = 2.0", ["gate 'wall'", "needs one window"]),
        ('name = "wall"', 'name = "Wall 1"', ["gate.name", "lower-case"]),
        ('gates = ["wall"]', 'gates = ["well"]', ["interval.gates", "'well'", "wall"]),
        ('gates = ["wall"]', 'gates = ["wall", "wall"]', ["interval.gates"]),
        ('"contact"', '"contakt"', ["probe.arrangement", "did you mean 'contact'?"]),
        ('"contact", ', '"contact", angle = 3, ', ["unknown key 'angle'"]),
        ("frequency_mhz = 5.0", "frequency_mhz = -5.0", ["-5 MHz", "at least 0.01 MHz"]),
        ("[[gate]]", "[gate]", ["write each gate as [[gate]]"]),
        ("[[gate]]", "[[gates]]", ["did you mean 'gate'?"]),
        ("probe = ", "prob = ", ["did you mean 'probe'?"]),
        ("[[gate]]", "= [[gate]]", ["is not TOML"]),
        ("threshold = 0.2", 'threshold = 0.2\nfollows = "x"', ["follows 'x'", "a gate above it"]),
        ("threshold = 0.2", 'threshold = 0.2\ntiming = "pea"', ["unknown timing method 'pea'"]),
        ("threshold = 0.2", 'threshold = 0.2\ntiming = { method = "peak", level = 1 }', ["level"]),
        ("threshold = 0.2", 'threshold = 0.2\ntiming = "first_crossing"', ["needs one of level"]),
        ("threshold = 0.2", "threshold = 0.2\ntiming = 3", ["timing", "a method's name"]),
        ("threshold = 0.2", 'threshold = 0.2\nhalf_cycles = "same"', ["follows no gate"]),
    ],
)
def test_wrong_procedures(old: str, new: str, parts: list[str]) -> None:
    wrong = GOOD.replace(old, new, 1)
    assert wrong != GOOD
    with pytest.raises(AscanError) as caught:
        Procedure.from_text(wrong)
    for part in parts:
        assert part in str(caught.value)
    assert "\n" not in str(caught.value).split("is not TOML")[0]


def test_a_velocity_in_metres_per_second_is_told_in_ours() -> None:
    with pytest.raises(AscanError, match=r"5920 m/s is velocity_mm_per_us = 5\.92"):
        Procedure.from_text(GOOD.replace("[[gate]]", "material={velocity_m_per_s=5920}\n[[gate]]"))


def test_a_velocity_without_its_thousand_is_refused() -> None:
    with pytest.raises(AscanError, match=r"material.velocity_mm_per_us: is 5920 mm/µs.*at most 30"):
        Procedure.from_text(
            GOOD.replace("[[gate]]", "material={velocity_mm_per_us=5920}\n[[gate]]")
        )


def test_a_good_procedure_is_kept_as_written() -> None:
    procedure = Procedure.from_text(GOOD)
    assert procedure.text == GOOD
    assert procedure.gates[0].stop_mm == 20.0


@pytest.mark.parametrize("edges", [", low_mhz = 8.0, high_mhz = 2.0", ", low_mhz = 2.0", ""])
def test_filter_needs_both_edges_in_order(edges: str) -> None:
    with pytest.raises(AscanError, match="low_mhz below high_mhz"):
        wall_procedure(extra='filter = { kind = "band_pass"' + edges + " }")
