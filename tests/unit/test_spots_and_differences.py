"""Named points, and the same signals read twice."""

from __future__ import annotations

import numpy as np
import pytest

from ascan import Flag, Readings
from ascan.base.errors import AscanError
from ascan.survey.differences import Outcome, differences_between
from ascan.survey.figures import expected_extreme
from ascan.survey.spots import NAMELESS, point_names, range_by_chance, spots_of

NO_ECHO, LOW_SNR = int(Flag.NO_ECHO), int(Flag.LOW_SNR)


def readings(thickness: list[float], flags: list[int], **more: object) -> Readings:
    n = len(flags)
    u_random, u_common = np.full(n, 0.01), np.full(n, 0.02)
    columns = {
        "thickness_mm": np.array(thickness),
        "u_mm": np.hypot(u_random, u_common),
        "u_random_mm": u_random,
        "u_common_mm": u_common,
        "flags": np.array(flags, np.uint32),
        **{name: np.asarray(value) for name, value in more.items() if name != "provenance"},
    }
    return Readings(columns, more.get("provenance", {}))  # type: ignore[arg-type]


def test_the_least_of_each_point_and_why_readings_were_rejected() -> None:
    nan = float("nan")
    found = spots_of(
        readings(
            [8.02, 8.00, nan, 7.50, 7.90, nan],
            [0, LOW_SNR, NO_ECHO, 0, 0, NO_ECHO],
            point=["b", "b", "b", "a", "a", "c"],
            check_status=[0, 0, 0, 0, 2, 0],
        )
    )
    assert [spot.name for spot in found] == ["b", "a", "c"]
    first, second, third = found
    assert (first.least_mm, first.row, first.usable, first.careful) == (8.0, 1, 2, 1)
    assert first.rejected == {2: "no_echo"}
    assert abs(first.low_by_mm - 0.01 * expected_extreme(2)) < 1e-12
    assert not first.scatters
    assert (second.least_mm, second.usable, second.rejected) == (7.5, 1, {4: "void"})
    assert third.usable == 0
    assert np.isnan(third.least_mm)


def test_readings_of_one_point_that_disagree_are_told() -> None:
    (spot,) = spots_of(readings([8.0, 8.2], [0, 0], point=["a", "a"]))
    assert spot.scatters
    assert spot.least_mm == 8.0


def test_one_point_has_one_name() -> None:
    thickness, flags = [8.0, 7.9, 7.8], [0, 0, 0]
    for column in ([1, 1, 2], [1.0, 1.0, 2.0], [" 1", "1 ", "2"]):
        found = spots_of(readings(thickness, flags, point=column))
        assert [(spot.name, spot.readings) for spot in found] == [("1", 2), ("2", 1)]
    nameless = spots_of(readings(thickness, flags, point=[np.nan, 3.0, np.nan]))
    assert [(spot.name, spot.readings) for spot in nameless] == [("(no name)", 2), ("3", 1)]


def test_points_must_be_named() -> None:
    with pytest.raises(AscanError, match="point"):
        spots_of(readings([8.0], [0]))


def test_what_became_of_each_reading() -> None:
    nan = float("nan")
    earlier = readings([8.0, 8.0, 8.0, nan, 8.0], [0, 0, 0, NO_ECHO, 0])
    later = readings([8.0, 8.1, nan, 8.0, 8.0], [0, 0, NO_ECHO, 0, LOW_SNR])
    found = differences_between(earlier, later)
    wanted = [Outcome.SAME, Outcome.MOVED, Outcome.NOW_REFUSED, Outcome.NOW_READ]
    assert found.outcome.tolist() == [*wanted, Outcome.FLAGS_CHANGED]
    assert abs(found.off_mm[1] - 0.1) < 1e-12
    assert abs(found.off_over_u[1] - 0.1 / np.hypot(0.01, 0.02)) < 1e-9


def test_readings_of_other_waveforms_are_not_compared() -> None:
    one = readings([8.0], [0], provenance={"input": {"waveforms_sha256": "a"}})
    other = readings([8.0], [0], provenance={"input": {"waveforms_sha256": "b"}})
    with pytest.raises(AscanError, match="other waveforms"):
        differences_between(one, other)


def test_numbers_written_as_text_are_the_same_points() -> None:
    assert point_names(np.array(["1.0", " 2 ", "", "2.5", "A1.0"])) == [
        "1",
        "2",
        NAMELESS,
        "2.5",
        "A1.0",
    ]
    found = spots_of(readings([8.0, 7.0], [LOW_SNR, LOW_SNR | NO_ECHO], point=["a", "a"]))
    assert found[0].least_flags == "low_snr"


def test_readings_of_one_wall_are_called_scattering_as_seldom_as_stated() -> None:
    """Range of a normal sample (tables of the studentized range, infinite freedom): 1 of 100."""
    rng = np.random.default_rng(4)
    for count, one_percent in ((2, 3.643), (5, 4.603), (10, 5.157)):
        assert range_by_chance(count, one_percent) == pytest.approx(0.01, abs=2e-4)
        drawn = np.ptp(rng.standard_normal((40_000, count)), axis=1)
        assert np.mean(drawn > one_percent) == pytest.approx(0.01, abs=0.0025)
