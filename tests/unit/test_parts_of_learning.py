"""Parts of learning and of the searches beside it, each alone: limits, starts, what counts."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from ascan.calibration.step_means import StepMeans
from ascan.calibration.vee_fit import fit_vee
from ascan.checks.shape_mismatch import allowed_between, arrival_reach
from ascan.finding.clutter import clutter_beside
from ascan.finding.half_cycle import usual_crests
from ascan.finding.masked_first import Due, size_of
from ascan.finding.rows import Learned, Trace
from ascan.kernels.arrays import BoolArray, FloatArray
from ascan.learning import apertures, health, layered_model
from ascan.learning.arrival_models import fitted_half_separation_mm
from ascan.whole_record import dual_fit
from ascan.whole_record.coated_front import FURTHEST, CoatedFronts
from ascan.whole_record.coated_stage import CoatedStage, Fit
from ascan.whole_record.dual_fit import Laid
from ascan.whole_record.dual_records import frame
from ascan.whole_record.search import make_comb, score_spacings


def trace_of(samples: FloatArray, noise: float = 1.0) -> Trace:
    """Return one record whose gate is all of it."""
    begin, end = np.zeros(1, np.int64), np.full(1, samples.size)
    return Trace(samples[None], begin, end, begin, end, np.zeros(1, np.int8), np.full(1, noise))


# Health figures


@pytest.mark.parametrize(
    ("zero_us", "plausible"), [(10.0, True), (10.9, True), (9.1, True), (11.1, False), (8.9, False)]
)
def test_the_zero_of_a_contact_probe_is_its_delay_give_or_take_what_a_face_adds(
    zero_us: float, plausible: bool
) -> None:
    """1 µs, which is more than five periods of 10 MHz."""
    procedure: Any = SimpleNamespace(
        probe=SimpleNamespace(frequency_mhz=10.0, delay_us=10.0),
        layout=SimpleNamespace(from_interface=False, is_contact=True),
    )
    assert health._zero_is_plausible(zero_us, procedure) is plausible


# First echoes


@pytest.mark.parametrize("height", [1e-3, 1.0, 1e3])
def test_a_shape_is_in_a_trace_as_often_whatever_its_own_height(height: float) -> None:
    own = height * np.array([0.2, -0.5, 1.0, -0.4, 0.1])
    samples = np.zeros(40)
    samples[10:15] = 3.0 * own
    assert size_of(samples, 12, Due(own, 2, own.size)) == pytest.approx(3.0, rel=1e-12)


def test_there_is_clutter_beside_an_echo_only() -> None:
    """Grain of 50 codes all over the gate, noise of 1: beside no echo there is none."""
    samples = 50.0 * np.cos(np.pi * np.arange(600.0) / 10.0)
    for peak, is_clutter in [(300, True), (-1, False)]:
        level = np.full(1, np.nan)
        clutter_beside(trace_of(samples), np.array([peak]), 30, 2.0, level)
        assert (level[0] > 0.0) is np.bool_(is_clutter)
        assert is_clutter or level[0] == 0.0


@pytest.mark.parametrize(("other", "usual"), [(84, 100), (85, 85), (95, 95), (96, 100)])
def test_a_crest_is_the_usual_one_within_a_quarter_of_a_period_of_its_place(
    other: int, usual: int
) -> None:
    """Half a period late, the place is on sample 90; a quarter of a period is 5."""
    samples, crest = np.zeros(200), np.zeros(1, np.int64)
    samples[100], samples[other] = 10.0, 9.0
    usual_crests(trace_of(samples), np.array([100]), np.array([0.5]), 20.0, crest)
    assert crest[0] == usual


def test_arrivals_between_two_steps_are_allowed_what_those_two_differ_by() -> None:
    """The later two of three steps are alike, so nothing is allowed between them."""
    at = np.arange(60) - 20.0
    one, other = (
        np.exp(-0.5 * ((at - 5.0) / 9.0) ** 2) * np.cos(2.0 * np.pi * at / period)
        for period in (20.0, 13.0)
    )
    learned = Learned(np.stack([one, other, other]), np.array([4.0, 6.0, 8.0]), 20)
    allowed = allowed_between(learned, arrival_reach(20.0))
    assert allowed.shape == (2,)
    assert allowed[0] > 0.1
    assert allowed[1] == pytest.approx(0.0, abs=0.01)


# Where whole records are looked at


@pytest.mark.parametrize(("wide", "looked_at"), [(69, 0), (70, 70)])
def test_a_record_is_looked_at_that_holds_a_period_of_its_first_arrival(
    wide: int, looked_at: int
) -> None:
    """And, ahead of it, a shape's begin (10 samples) and two periods of quiet (20 samples each)."""
    times = np.array([[100.0, 200.0], [1e4, 2e4]])
    laid = Laid(np.zeros((1, 2, 9, 3, 4), np.float32), times, (1.0, 0.1), 10, 5, 20.0)
    framed = frame(1.0, 0.0, 50 + wide, 1000, laid)
    assert framed.begin == 100 - 10 - 2 * 20
    assert framed.wide == looked_at


def test_spacings_are_scored_alike_whatever_the_unit_of_the_samples() -> None:
    """A score is an energy: it goes with the square of what a sample counts."""
    at = np.arange(61) - 30.0
    pulse = np.exp(-0.5 * (at / 8.0) ** 2) * np.cos(2.0 * np.pi * at / 20.0)
    comb = make_comb(pulse, 0.6 * pulse, np.array([1.0, 0.6, 0.4]), (80.0, 120.0), 0.0)
    products = np.random.default_rng(3).normal(0.0, 1.0, 600)
    scores, tiny = np.empty(len(comb.energies)), np.empty(len(comb.energies))
    for way in (1.0, -1.0):
        score_spacings(1e4 * products, 100.0, way, comb, scores)
        score_spacings(1e-4 * products, 100.0, way, comb, tiny)
        assert np.count_nonzero(scores) > 10
        np.testing.assert_allclose(tiny, 1e-16 * scores, rtol=1e-9, atol=0.0)


@pytest.mark.parametrize("off", [-0.6, -0.4, 0.4, 0.6])
def test_a_mismatch_far_from_what_is_expected_is_none_of_a_coating(off: float) -> None:
    """By more than 0.5; within that it is read off the echo, which is next to linear in it."""
    bare, base, change = np.eye(5)[:3]

    def pulse(late_us: float, mismatch: float) -> FloatArray:
        return np.asarray(bare if late_us == 0.0 else base + mismatch * change)

    fronts = CoatedFronts.made(pulse, np.array([0.1]), 0.2, (1,), 0, 1)
    guesses = fronts.likely(1e-3 * (base + (0.2 + off) * change), 1, 2)
    assert (guesses[0].number, guesses[0].place) == (0, 0)
    assert len(guesses) == (2 if abs(off) <= FURTHEST else 1)
    for guess in guesses[1:]:
        assert (guess.number, guess.place) == (1, 0)
        assert guess.mismatch == pytest.approx(0.2 + off, abs=1e-9)


# Coated walls


def fit_of(score: float, spacing: float) -> Any:
    """Return a fit with noise of 2 codes, of a coating that differs with the wall."""
    begun = SimpleNamespace(alternative_odds=1e6, alternative_us=9.0, left=0.1, flags=0)
    numbers = np.array([100.0, spacing, 0.01 * spacing, 0.1])
    found = SimpleNamespace(noise=2.0, numbers=numbers, u_spacing=0.1, grown=1.0)
    return Fit(score, begun, found)  # type: ignore[arg-type]


@pytest.mark.parametrize("next_score", [50.0, 90.0])
def test_another_wall_is_as_likely_as_it_is_behind_the_best_one(next_score: float) -> None:
    """Twice the log odds: by how much more it leaves, over the variance of noise."""
    stage: Any = SimpleNamespace(
        bare=SimpleNamespace(recording=SimpleNamespace(full_scale=100.0)), rate=100.0,
        fit=SimpleNamespace(period=20.0, open_delay=lambda problem, alike: alike[0]),
        _evidence=lambda *_: {"alternative_us": np.array([np.nan])},
    )  # fmt: skip
    fits = [fit_of(10.0, 150.0), fit_of(next_score, 210.0), fit_of(170.0, 300.0)]
    given: Any = SimpleNamespace(noise=np.ones(1))
    flags = np.zeros(1, np.uint32)
    told = CoatedStage._explained(stage, fits, None, given, flags, lambda *_: None)  # type: ignore[arg-type]
    assert told["interval_us"] == pytest.approx(1.5)
    assert told["alternative_odds"] == pytest.approx((next_score - 10.0) / 2.0**2)
    assert told["alternative_us"] == pytest.approx(2.1)


# Dual-element probes


@pytest.mark.parametrize("odd", [(), (4,), (1, 6)])
def test_readings_that_are_odd_teach_nothing(
    monkeypatch: pytest.MonkeyPatch, odd: tuple[int, ...]
) -> None:
    def without(used: BoolArray, *_: Any) -> BoolArray:
        return used & ~np.isin(np.arange(8), odd)

    monkeypatch.setattr(apertures, "_learned", lambda picked, *_: (picked.rows, None))
    monkeypatch.setattr(apertures, "relative_noise", lambda learned: None)
    monkeypatch.setattr(apertures, "without_odd", without)
    monkeypatch.setattr(apertures, "ApertureOperator", lambda **_: None)
    monkeypatch.setattr(apertures, "_finished", lambda learned, windows, used: (learned, used))
    known: Any = SimpleNamespace(ids=np.arange(8))
    found: Any = SimpleNamespace(
        usable=np.ones(8, bool), times=SimpleNamespace(columns={"interval_us": np.zeros(8)})
    )
    procedure: Any = SimpleNamespace(
        probe=SimpleNamespace(geometry=lambda: "wedge", frequency_mhz=5.0),
        material=SimpleNamespace(velocity_mm_per_us=5.92),
    )
    told: Any = apertures.learn_walls(known, procedure, found)
    learned, used = told
    left = [row for row in range(8) if row not in odd]
    assert learned.tolist() == left
    assert np.flatnonzero(used).tolist() == left


def test_quiet_steps_count_as_uncertain_by_a_nanosecond() -> None:
    """So do not pin the V-path: beside what they tell of their own, as roots of squares add."""
    mm = np.array([2.0, 4.0, 6.0, 9.0, 13.0, 18.0])
    off_us = 1e-3 * np.array([4.0, -3.0, 2.0, 5.0, -4.0, 3.0])
    time_us = 0.5 + 2.0 * np.hypot(mm, 2.0) / 5.92 + off_us
    u_us = 1e-3 * np.array([0.0, 3.0, 0.0, 1.5, 0.0, 2.0])
    means = StepMeans(
        thickness_mm=mm, u_thickness_mm=np.zeros(6), interval_us=time_us, u_interval_us=u_us,
        readings=np.full(6, 2), repeatability_us=1e-3,
    )  # fmt: skip
    expected = fit_vee(mm, time_us, np.sqrt(u_us**2 + 0.001**2)).half_separation_mm
    assert fitted_half_separation_mm(means) == pytest.approx(expected, rel=1e-9)
    assert abs(expected - fit_vee(mm, time_us, np.full(6, 1.0)).half_separation_mm) > 0.01


@pytest.mark.parametrize("worse_at", [5, 12])
def test_a_step_that_leaves_more_is_taken_half_back(
    monkeypatch: pytest.MonkeyPatch, worse_at: int
) -> None:
    """Of fourteen turns, up to the last but one: each step is 0.01 mm, that of one turn worse."""
    lefts = iter([100.0 - turn + (50.0 if turn == worse_at else 0.0) for turn in range(14)])
    laid_at: list[float] = []
    monkeypatch.setattr(dual_fit, "solve_heights", lambda *_: next(lefts))
    monkeypatch.setattr(dual_fit, "free_energy", lambda *_: 1.0)
    monkeypatch.setattr(dual_fit, "dot", lambda *_: 0.01)
    monkeypatch.setattr(dual_fit, "time_of", lambda *_: (0.0, 1.0))
    monkeypatch.setattr(dual_fit, "lay", lambda bank, scale, depth, *_: laid_at.append(depth))
    monkeypatch.setattr(dual_fit, "weigh", lambda *_: None)
    monkeypatch.setattr(dual_fit, "add", lambda *_: None)
    work: Any = SimpleNamespace(
        heights=np.ones(1), moved=np.zeros(1), shared=np.zeros(1), starts=np.zeros(1, int),
        shapes=[0], slopes=[0], residual=0,
    )  # fmt: skip
    laid: Any = SimpleNamespace(bank=[0], times=[0], scale=(1.0, 0.1), before=0, period=20.0)
    fit_wall: Any = dual_fit.fit_wall
    wall = fit_wall.py_func((None, None), 5.0, dual_fit.Aim(0.0, 1, np.inf), laid, work)
    steps = np.diff(laid_at)
    expected = np.full(13, 0.01)
    expected[worse_at] = -0.005
    np.testing.assert_allclose(steps, expected, atol=1e-12)
    assert wall.mm == laid_at[-1]


# Layered records


@pytest.mark.parametrize(
    ("spacing", "heard"), [(480.0, 700), (499.0, 700), (501.0, 1500), (700.0, 1500)]
)
def test_a_wall_that_has_no_room_ahead_of_the_repeat_is_sought_in_a_longer_window(
    monkeypatch: pytest.MonkeyPatch, spacing: float, heard: int
) -> None:
    """Room is for its first echo and the periods that make it whole: 700 - 100 - 5 x 20 samples."""
    weights = []

    def follows(own: Any, thicker: Any, weight: FloatArray) -> FloatArray:
        weights.append(weight.copy())
        return np.ones(1)

    columns = SimpleNamespace(own=None, thicker=None, shared=np.ones((1, 1)))
    monkeypatch.setattr(layered_model, "follows", follows)
    monkeypatch.setattr(layered_model, "WHOLE_PERIODS", 5.0)
    monkeypatch.setattr(
        layered_model, "Frequencies", lambda basis, width: SimpleNamespace(basis=basis)
    )
    monkeypatch.setattr(
        layered_model, "LayeredFamily", lambda *_: SimpleNamespace(columns=lambda *_: columns)
    )
    basis = SimpleNamespace(sample_rate_mhz=100.0, frequency_mhz=5.0)
    learned: Any = SimpleNamespace(
        estimate=SimpleNamespace(operator=SimpleNamespace(slowness_us_per_mm=0.5)),
        family=SimpleNamespace(nominal=None), covariance=np.full((1, 1), 0.04),
    )  # fmt: skip
    windows: Any = SimpleNamespace(
        frequencies=SimpleNamespace(basis=basis, width=700),
        records=SimpleNamespace(usual=np.full(3, 100.0)),
    )
    heights = layered_model.Heights(1.0, np.geomspace(1.0, 0.01, 8), 0.5, 0.5)
    node = np.array([spacing / 100.0 / 0.5])
    u = layered_model._node_uncertainty(learned, windows, node, heights, 1500)
    assert u == pytest.approx(0.2)
    heard_echoes = max(int((heard - 20 - 100) / spacing), 1)
    last = min(int(100 + (heard_echoes + 1) * spacing), heard)
    assert np.count_nonzero(weights[0]) == pytest.approx(last, abs=1)
