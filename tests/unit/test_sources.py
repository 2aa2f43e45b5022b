"""What readings share, by identity: differences, means and old files follow from it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from scipy.stats import binom

from ascan import AscanError, Procedure, Readings, calibrate, measure
from ascan.examples import PROCEDURE, plate_scan
from ascan.results.sources import Source, in_line, refuse_other_components, shared_of
from ascan.survey.cells import to_cells
from ascan.survey.change import change_between
from ascan.survey.figures import figures_of
from ascan.survey.places import places_of
from ascan.survey.sampling import share_at_most
from ascan.survey.told import Told, covariance_mm2

KINDS = [Source(name="calibration_level", of=of) for of in ("a", "b", "")]


def told(follows: dict[Source, float], u_random: float = 0.0) -> Told:
    return Told(
        thickness_mm=np.array([9.0]),
        u_random_mm=np.array([u_random]),
        shared={source: np.array([value]) for source, value in follows.items()},
    )


@given(
    first=st.dictionaries(st.sampled_from(KINDS), st.floats(-1.0, 1.0)),
    second=st.dictionaries(st.sampled_from(KINDS), st.floats(-1.0, 1.0)),
)
def test_a_difference_follows_from_the_whole_covariance(
    first: dict[Source, float], second: dict[Source, float]
) -> None:
    """JCGM 100:2008, 5.2: J C Jᵀ over every source, those without an identity two of a kind."""
    change = change_between(told(first, 0.1), told(second, 0.2), 1.0)
    variance = 0.1**2 + 0.2**2
    for source in KINDS:
        one, other = first.get(source, 0.0), second.get(source, 0.0)
        variance += (one - other) ** 2 if source.of else one**2 + other**2
    assert change.u_loss_mm[0] ** 2 == pytest.approx(variance, rel=1e-9, abs=1e-9)
    alike = sum(first[s] * second[s] for s in KINDS if s.of and s in first and s in second)
    assert covariance_mm2(told(first), told(second))[0] == pytest.approx(alike, abs=1e-12)


def few(u_mm: float, freedom: float, calibration: str) -> Told:
    source = Source(name="calibration_level", of=f"calibration {calibration}")
    return Told(
        thickness_mm=np.array([9.0]),
        u_random_mm=np.array([u_mm]),
        shared={source: np.array([0.0])},
        random_freedom=np.array([freedom]),
    )


def test_one_estimate_of_repeatability_serves_both_surveys_of_one_calibration() -> None:
    """JCGM 100:2008 G.4.1: ν of a sum of two estimates of ν each is 2ν; of one taken twice, ν."""
    first = few(0.01, 6.0, "a")
    for later, freedom in ((few(0.01, 6.0, "a"), 6.0), (few(0.01, 6.0, "b"), 12.0)):
        change = change_between(first, later, 1.0)
        assert 1.0 / change.inverse_freedom[0] == pytest.approx(freedom)
        half = change.u_loss_mm[0] * stats.t.ppf(0.975, freedom)
        assert change.expanded_loss_mm[0] == pytest.approx(half, rel=1e-4)
    known = change_between(few(0.01, 0.0, "a"), few(0.01, 0.0, "b"), 1.0)
    assert known.expanded_loss_mm[0] == pytest.approx(1.95996 * known.u_loss_mm[0], rel=1e-4)


def test_readings_tell_how_well_their_repeatability_is_known() -> None:
    """Three steps of two readings: three degrees of freedom, fewer of none; widened, more."""
    how = Procedure.from_text(PROCEDURE)
    rng = np.random.default_rng(5)
    steps = np.repeat([5.0, 10.0, 20.0], 2)
    fit = calibrate(plate_scan(steps + rng.normal(0.0, 0.02, 6)), how, steps, u_known_mm=0.002)
    freedom = measure(plate_scan(np.array([9.0])), how, fit).columns["random_freedom"]
    assert fit.repeat_freedom == 3
    assert 3.0 <= freedom[0] < 3.2
    once = np.array([5.0, 10.0, 20.0])
    fit = calibrate(plate_scan(once), how, once, u_known_mm=0.002)
    assert measure(plate_scan(np.array([9.0])), how, fit).columns["random_freedom"][0] == 0.0


def test_two_components_share_nothing_and_are_not_compared() -> None:
    """What is of the component is another's where its name is; unnamed, it is taken for one."""
    scan, steps = plate_scan(np.full(2, 9.0)), np.array([5.0, 10.0, 20.0])
    found = {}
    for name in ("", "spool 1", "spool 2"):
        how = Procedure.from_text(f'component = "{name}"\n' + PROCEDURE)
        fit = calibrate(plate_scan(steps), how, steps, u_known_mm=0.002)
        found[name] = measure(scan, how, fit)
    one, other = ({s.name for s in found[n].shared if s.of} for n in ("spool 1", "spool 2"))
    assert one == other
    both = {s.name for s in found["spool 1"].shared.keys() & found["spool 2"].shared.keys() if s.of}
    assert {name for name in one if name.startswith("calibration")} <= both
    assert "component_velocity" not in both
    refuse_other_components([found[""].provenance, found["spool 1"].provenance])
    with pytest.raises(AscanError, match=r"'spool 1' and of 'spool 2'; allowed: surveys of one"):
        refuse_other_components([each.provenance for each in found.values()])


@pytest.mark.parametrize(("below", "bound"), [(0, 0.0950), (1, 0.1486), (3, 0.2386)])
def test_a_sample_of_30_places_bounds_the_share_below(below: int, bound: float) -> None:
    """The bound solves Pr(at most so many below) = 5 %; of none, 1 - 0.05^(1/30)."""
    share = share_at_most(30, below)
    assert share == pytest.approx(bound, abs=5e-5)
    assert binom.cdf(below, 30, share) == pytest.approx(0.05, abs=1e-9)


def surveys(velocity_percent: float, lost_mm: float) -> tuple[Readings, Readings]:
    """One component, two calibrations on one block, the second with more readings of a step."""
    stated = f"[uncertainty]\ncomponent_velocity_percent = {velocity_percent}\n"
    how, found = Procedure.from_text(PROCEDURE + stated), []
    for wall_mm, repeats in ((10.0, 2), (10.0 - lost_mm, 3)):
        steps = np.repeat([5.0, 10.0, 20.0], repeats)
        fit = calibrate(plate_scan(steps), how, steps, u_known_mm=0.002)
        scan = plate_scan(np.full(4, wall_mm))
        readings = measure(scan, how, fit)
        more = {"x_mm": np.arange(4.0) % 2, "y_mm": np.arange(4.0) // 2}
        found.append(Readings({**readings.columns, **more}, readings.provenance))
    return found[0], found[1]


def test_the_velocity_of_one_component_cancels_in_a_loss() -> None:
    """0.3 % of 10 mm is 30 µm in either survey: it must not hide a loss of 60 µm."""
    before, now = surveys(0.3, 0.06)
    assert before.calibration_digest is None
    cells = [to_cells(places_of(one)) for one in (before, now)]
    change = change_between(cells[0].told, cells[1].told, 1.0)
    assert change.loss_mm == pytest.approx(0.06, abs=1e-3)
    assert (before.u_mm > 0.03).all()
    assert (change.u_loss_mm < 0.025).all()
    assert change.thinner.all()
    # The mean of many readings is no better known than the velocity they share.
    assert figures_of(cells[0]).u_mean_mm > 0.03


def test_scans_one_after_another_keep_what_each_shares() -> None:
    alike, own = KINDS[0], KINDS[2]
    one = {alike: np.array([1.0]), own: np.array([2.0])}
    other = {alike: np.array([3.0, 3.0]), own: np.array([4.0, 4.0])}
    both = in_line([one, other], [1, 2])
    assert both.pop(alike).tolist() == [1.0, 3.0, 3.0]
    # What each has alone is two sources, and neither is ever another survey's.
    assert sorted(values.tolist() for values in both.values()) == [[0, 4, 4], [2, 0, 0]]
    assert not any(source.of for source in both)


def test_channels_have_their_own_calibrations() -> None:
    columns = {"flags": np.zeros(3, np.uint32), "channel": np.array([1, 2, 1]),
               "from_calibration_level_mm": np.array([0.1, 0.2, 0.3])}  # fmt: skip
    table = {"distribution": "normal", "freedom": 0}
    sources = {str(k): {"calibration_level": {"of": f"calibration {k}", **table}} for k in (1, 2)}
    found = shared_of(columns, {"sources": sources})
    assert {s.of: v.tolist() for s, v in found.items()} == {
        "calibration 1": [0.1, 0.0, 0.3], "calibration 2": [0.0, 0.2, 0.0],
    }  # fmt: skip


def test_readings_of_earlier_versions_share_the_sum() -> None:
    columns = {"flags": np.zeros(2, np.uint32), "u_common_mm": np.array([0.02, 0.03])}
    (source,) = shared_of(columns, {"calibration": {"digest": "d"}})
    assert source.of == "calibration d"
    assert not next(iter(shared_of(columns, {}))).of
