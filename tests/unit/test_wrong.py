"""The two definitions of wrong at their boundaries, and what becomes of NaN."""

from __future__ import annotations

import importlib
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

import ascan.survey.wrong
from ascan.base.flags import Flag

BENCHES = str(Path(__file__).resolve().parents[2] / "benches")
# Steel at 5 MHz.
EIGHTH_MM = 5.92 / 5.0 / 8.0
# Far below any limit, far above rounding.
HAIR_MM = 1e-6


@pytest.fixture(scope="module")
def wrong() -> ModuleType:
    return ascan.survey.wrong


def columns(
    read: float, expanded: float = 0.0, flags: int = 0, rows: int = 1
) -> dict[str, np.ndarray[Any, Any]]:
    return {
        "thickness_mm": np.full(rows, read),
        "expanded_mm": np.full(rows, expanded),
        "flags": np.full(rows, flags, np.uint32),
    }


def one(wrong: ModuleType, read: float, truth: tuple[float, float, float], **of: Any) -> Any:
    """Return the verdict on one reading; truth is axis, mean, least."""
    known = wrong.Truth(*(np.array([value]) for value in truth))
    return wrong.verdicts(columns(read, **of), known, EIGHTH_MM)


def outcome(wrong: ModuleType, read: float, truth: tuple[float, float, float], **of: Any) -> str:
    return str(one(wrong, read, truth, **of).outcome[0])


def test_an_eighth_of_a_wavelength(wrong: ModuleType) -> None:
    """5.92 mm/µs over 5 MHz is 1.184 mm."""
    assert wrong.eighth_mm(5.92, 5.0) == pytest.approx(0.148, abs=1e-12)


@pytest.mark.parametrize(
    ("wall_mm", "expanded_mm", "allowed_mm"),
    [
        (8.0, 0.01, EIGHTH_MM),  # 1 % is 0.08
        (20.0, 0.01, 0.2),  # 1 %
        (8.0, 0.5, 0.5),  # its own uncertainty
        (8.0, np.nan, EIGHTH_MM),  # none is stated: none is allowed
    ],
)
@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_the_largest_of_three_is_allowed_and_no_more(
    wrong: ModuleType, wall_mm: float, expanded_mm: float, allowed_mm: float, side: float
) -> None:
    flat = (wall_mm, wall_mm, wall_mm)
    inside = wall_mm + side * (allowed_mm - HAIR_MM)
    outside = wall_mm + side * (allowed_mm + HAIR_MM)
    assert outcome(wrong, inside, flat, expanded=expanded_mm) == wrong.RIGHT_UNMARKED
    assert outcome(wrong, outside, flat, expanded=expanded_mm) == wrong.WRONG_UNMARKED


def test_anything_between_the_least_and_the_mean_is_a_claim(wrong: ModuleType) -> None:
    pitted = (9.0, 8.0, 5.0)
    assert outcome(wrong, 6.5, pitted) == wrong.RIGHT_UNMARKED
    assert outcome(wrong, 5.0 - EIGHTH_MM - HAIR_MM, pitted) == wrong.WRONG_UNMARKED
    assert outcome(wrong, 8.0 + EIGHTH_MM + HAIR_MM, pitted) == wrong.WRONG_UNMARKED
    assert outcome(wrong, 9.0, pitted) == wrong.WRONG_UNMARKED, "the axis alone is no claim"


def test_of_two_faces_each_is_right_and_nothing_between(wrong: ModuleType) -> None:
    rows = np.array([3.0, 9.0, 6.0])
    faces = np.repeat(np.array([[3.0], [3.0], [9.0], [9.0]]), 3, axis=1)
    nine = np.full(3, 9.0)
    truth = wrong.Truth(nine, nine, np.full(3, 3.0), faces)
    got = wrong.verdicts(columns(0.0, rows=3) | {"thickness_mm": rows}, truth, EIGHTH_MM)
    assert got.outcome.tolist() == [
        wrong.RIGHT_UNMARKED, wrong.RIGHT_UNMARKED, wrong.WRONG_UNMARKED
    ]  # fmt: skip
    assert got.hidden.tolist() == [False, True, True]


@pytest.mark.parametrize("expanded_mm", [0.0, 0.05, 1.0])
def test_hidden_begins_beyond_a_fifth_of_a_millimetre_below_the_lower_bound(
    wrong: ModuleType, expanded_mm: float
) -> None:
    least = 8.0 - expanded_mm - 0.2
    seen = one(wrong, 8.0, (8.0, 8.0, least + HAIR_MM), expanded=expanded_mm)
    missed = one(wrong, 8.0, (8.0, 8.0, least - HAIR_MM), expanded=expanded_mm)
    assert not seen.hidden[0]
    assert missed.hidden[0]
    assert missed.hidden_unmarked[0]
    assert not missed.hidden_marked[0]
    assert missed.outcome[0] == wrong.RIGHT_UNMARKED, "its value is right all the same"


def test_without_an_uncertainty_the_reading_is_its_own_lower_bound(wrong: ModuleType) -> None:
    assert one(wrong, 8.0, (8.0, 8.0, 7.8 - HAIR_MM), expanded=np.nan).hidden[0]
    assert not one(wrong, 8.0, (8.0, 8.0, 7.8 + HAIR_MM), expanded=np.nan).hidden[0]


def test_a_mark_changes_the_name_of_a_verdict_and_not_what_is_wrong(wrong: ModuleType) -> None:
    weak = int(Flag.WEAK_ECHO)
    pitted = (9.0, 9.0, 5.0)
    assert outcome(wrong, 9.0, (9.0, 9.0, 9.0), flags=weak) == wrong.RIGHT_MARKED
    assert outcome(wrong, 10.0, (9.0, 9.0, 9.0), flags=weak) == wrong.WRONG_MARKED
    assert one(wrong, 9.0, pitted, flags=weak).hidden_marked[0]
    assert not one(wrong, 9.0, pitted, flags=weak).hidden_unmarked[0]


@pytest.mark.parametrize(
    ("read", "flags"),
    [
        (np.nan, int(Flag.NO_ECHO)),
        (np.nan, 0),  # a number that is none is refused, whatever is said of it
        (np.inf, 0),
        (9.0, int(Flag.AMBIGUOUS)),
        (9.0, int(Flag.AMBIGUOUS | Flag.WEAK_ECHO)),
    ],
)
def test_what_is_refused_is_neither_right_nor_wrong_and_hides_nothing(
    wrong: ModuleType, read: float, flags: int
) -> None:
    got = one(wrong, read, (9.0, 9.0, 2.0), flags=flags)
    assert got.outcome[0] == wrong.REFUSED
    assert not got.hidden[0]
    assert got.alone[0] == 0


def test_where_no_truth_is_known_nothing_is_right(wrong: ModuleType) -> None:
    unknown = (np.nan, np.nan, np.nan)
    got = one(wrong, 9.0, unknown)
    assert got.outcome[0] == wrong.WRONG_UNMARKED
    assert not got.hidden[0]
    assert outcome(wrong, np.nan, unknown) == wrong.REFUSED


def test_one_flag_stands_alone_two_do_not(wrong: ModuleType) -> None:
    flat = (9.0, 9.0, 9.0)
    weak, both = int(Flag.WEAK_ECHO), int(Flag.WEAK_ECHO | Flag.LOW_SNR)
    assert one(wrong, 9.0, flat, flags=weak).alone[0] == weak
    assert one(wrong, 9.0, flat, flags=both).alone[0] == 0
    assert one(wrong, 12.0, flat, flags=weak).alone[0] == 0, "wrong: it was marked with reason"
    assert one(wrong, 9.0, flat).alone[0] == 0


def test_counts_add_up(wrong: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(BENCHES)
    made = importlib.import_module("counts").Counts
    weak = int(Flag.WEAK_ECHO)
    read = np.array([9.0, 9.0, 12.0, 12.0, np.nan, np.nan])
    flags = np.array([0, weak, weak, 0, Flag.NO_ECHO, Flag.NO_ECHO], np.uint32)
    given = {"thickness_mm": read, "expanded_mm": np.zeros(6), "flags": flags}
    got = wrong.verdicts(given, wrong.flat(np.full(6, 9.0)), EIGHTH_MM)
    counts = made()
    counts.add(got, np.array([True, True, True, True, True, False]))
    counts.merge(counts_of(made, got))
    assert counts.rows == 12 == sum(counts.outcomes.values())
    assert counts.outcomes == dict(zip(wrong.OUTCOMES, (2, 2, 2, 2, 4), strict=True))
    assert counts.alone == {"weak_echo": 2}
    assert (counts.hidden_marked, counts.hidden_unmarked) == (2, 2)
    assert counts.refused_in_sight == 1, "only refused rows count, and only where asked"


def counts_of(made: Any, got: Any) -> Any:
    counts = made()
    counts.add(got)
    return counts
