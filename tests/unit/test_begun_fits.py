"""Which fits of a record are begun, and what a fit says of what it leaves."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from ascan.base.flags import Flag
from ascan.kernels.arrays import FloatArray
from ascan.whole_record import layered_records
from ascan.whole_record.coated_stage import CoatedStage, Fit
from ascan.whole_record.layered_candidates import HOPELESS


def searched(spacing_us: float, left: float, number: int = 1) -> Any:
    return SimpleNamespace(kind=(number, 0), spacing_us=spacing_us, left=left)


def test_beyond_the_best_three_only_other_walls_and_the_bare_one_are_fitted() -> None:
    stage: Any = SimpleNamespace(bare=SimpleNamespace(frequency_mhz=5.0))
    within, beyond = np.sqrt(HOPELESS) * 0.999, np.sqrt(HOPELESS) * 1.001
    best = [searched(1.0, 1.0), searched(2.0, 1.0), searched(3.0, 1.0)]
    as_second, other, worse = searched(2.0, within), searched(5.0, within), searched(6.0, beyond)
    bare, bad_bare = searched(1.0, within, 0), searched(1.0, beyond, 0)
    usable = [*best, as_second, other, bare, worse, bad_bare]
    found = CoatedStage._different(stage, usable)
    assert [id(one) for one in found] == [id(one) for one in (*best, bare, other)]


def test_half_a_period_of_delay_aside_only_delay_and_the_sign_of_mismatch_differ() -> None:
    starts: list[FloatArray] = []
    numbers = np.array([100.0, 50.0, 0.3, 0.4, 0.7])
    stage: Any = SimpleNamespace(
        bare=SimpleNamespace(frequency_mhz=5.0), mismatch=0.0, _score=lambda one: one.score
    )
    problem: Any = SimpleNamespace(found=lambda start: starts.append(start))
    found: Any = SimpleNamespace(numbers=numbers, noise=1.0)
    begun: Any = None
    fits = [Fit(5.0, begun, found)]
    assert CoatedStage._beside(stage, fits, problem) == fits
    made = {tuple(np.round(start, 12)) for start in starts}
    # At 5 MHz half a period is 0.1 µs.
    assert made == {
        (100.0, 50.0, 0.2, -0.4, 0.7),
        (100.0, 50.0, 0.4, -0.4, 0.7),
        (100.0, 50.0, 0.1, 0.4, 0.7),
        (100.0, 50.0, 0.5, 0.4, 0.7),
    }


def written(
    monkeypatch: pytest.MonkeyPatch, rest: FloatArray, spare: int, period: float
) -> tuple[float, float]:
    """Return (u of the spacing, level of what is left) of a fit that left ``rest``.

    The spacing follows each sample by just what is left of it; so many samples count beyond those
    that the numbers fitted take up. The energy left is 9.
    """

    def influence(_columns: Any, _work: Any, out: FloatArray) -> None:
        out[:] = rest

    monkeypatch.setattr(layered_records, "influence", influence)
    monkeypatch.setattr(layered_records, "left_alone", lambda *_: 9.0)
    wide, shapes, dense = rest.size, 3, 5
    weight = np.zeros(wide)
    weight[: shapes + dense + 2 + spare] = 1.0
    nothing = np.full(1, np.nan)
    evidence = SimpleNamespace(
        spacing=nothing.copy(),
        u_spacing=nothing.copy(),
        left=nothing.copy(),
        alternative=nothing.copy(),
        odds=nothing.copy(),
    )
    model = SimpleNamespace(period=period, strength=0.5)
    chosen = (
        SimpleNamespace(costs=np.zeros(1)),
        0,
        -1,
        SimpleNamespace(place=0.0),
        np.array([0.0, 30.0]),
        SimpleNamespace(left=9.0, shapes=shapes, dense=dense),
    )
    write: Any = layered_records.write_evidence
    flag = write.py_func(
        SimpleNamespace(window=(np.zeros(wide), weight), row=0),
        (model, SimpleNamespace(), None),
        SimpleNamespace(residual=rest, heights=np.array([1.0, 0.3])),
        SimpleNamespace(follows=np.empty(wide), products=np.empty(wide)),
        chosen,
        evidence,
    )
    assert flag == np.uint32(Flag.NO_ECHO)
    return float(evidence.u_spacing[0]), float(evidence.left[0])


@pytest.mark.parametrize("spare", [1, 4])
def test_what_is_left_of_a_record_counts_per_sample_that_is_free(
    monkeypatch: pytest.MonkeyPatch, spare: int
) -> None:
    rest = np.zeros(40)
    rest[0] = 3.0
    u, left = written(monkeypatch, rest, spare, 4.0)
    assert left == pytest.approx(3.0 / np.sqrt(spare))
    assert u == pytest.approx(9.0 / np.sqrt(spare))


def test_noise_is_related_within_a_period_and_not_beyond(monkeypatch: pytest.MonkeyPatch) -> None:
    # Two equal samples k apart: energy 2, product at lag k 1, counted to both sides.
    for apart, squared in ((3, 2.0 * 2.0 + 2.0), (4, 4.0), (6, 4.0)):
        rest = np.zeros(40)
        rest[[0, apart]] = 1.0
        assert written(monkeypatch, rest, 1, 4.0)[0] == pytest.approx(np.sqrt(squared))
