"""The probability that a value is wrong, by its marks and its likeliest alternative."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ascan.base.flags import FATAL, NOTES, Flag
from ascan.checks.likely_wrong import EVEN, SHARES, UNTOLD, p_wrong

NONE = np.array([np.inf])
CARE = [flag for flag in Flag if not int(flag) & (FATAL | NOTES)]


def of(*flags: Flag, odds: float = np.inf) -> float:
    bits = np.array([sum(int(flag) for flag in flags)], np.uint32)
    return float(p_wrong(bits, np.array([odds]))[0])


def test_every_care_flag_has_a_share_and_no_other() -> None:
    assert set(SHARES) == set(CARE)
    assert all(0.0 < share <= 1.0 for share in SHARES.values())


def test_nothing_told_is_the_least() -> None:
    assert of() == pytest.approx(UNTOLD)
    assert of(Flag.SATURATED, Flag.SPIKE_REPAIRED) == of()


@given(st.lists(st.sampled_from(CARE), unique=True), st.floats(-50.0, 100.0))
def test_causes_act_by_themselves(flags: list[Flag], odds: float) -> None:
    """A value is right if none of the causes holds; more marks never make it likelier right."""
    right = np.prod([1.0 - SHARES[flag] for flag in flags]) * (1.0 - UNTOLD)
    right *= 1.0 - EVEN * np.exp(-0.25 * max(odds, 0.0))
    assert of(*flags, odds=odds) == pytest.approx(1.0 - right)
    assert of(*flags, odds=odds) >= of(*flags[1:], odds=odds) - 1e-15
    assert of(*flags, odds=odds + 1.0) <= of(*flags, odds=odds) + 1e-15
