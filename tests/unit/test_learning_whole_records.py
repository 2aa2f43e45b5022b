"""Learning whole records: steps left out, what health figures say, second trips, windows."""

from __future__ import annotations

from math import erfc, sqrt
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from ascan.kernels.arrays import FloatArray
from ascan.learning import apertures
from ascan.learning.learners import dual, layered
from ascan.learning.left_out import left_out_steps
from ascan.learning.second_trips import SecondTrip, second_trips
from ascan.path.aperture import DualGeometry
from ascan.path.material import Material
from ascan.path.probe import Probe
from ascan.procedure.tables import MeasuringRange
from ascan.whole_record.aperture import ApertureOperator
from ascan.whole_record.columns import WAVES
from ascan.whole_record.frequencies import Frequencies
from ascan.whole_record.layered import LayeredFamily
from ascan.whole_record.learning import _finished
from ascan.whole_record.operator import Operator
from ascan.whole_record.pulse import PulseBasis
from ascan.whole_record.step_records import Estimate, StepRecords

RATE_MHZ, WIDTH, V = 100.0, 900, 5.92
BASIS = PulseBasis(RATE_MHZ, 5.0, 0.6)


def fitted_pulse() -> FloatArray:
    """Return the coefficients of a pulse of 5 MHz with its time zero in the middle."""
    after = np.arange(BASIS.size) - BASIS.before
    return BASIS.fitted(np.cos(2.0 * np.pi * after / 20.0) * np.exp(-0.5 * (after / 12.0) ** 2))


# Steps left out


def step_readings() -> tuple[LayeredFamily, Estimate, StepRecords]:
    """Return three steps, one reading each, and an estimate beside both nominal and certificate."""
    nominal = Operator(velocity_mm_per_us=V, attenuation_db_per_mm=0.02, frequency_mhz=5.0)
    family = LayeredFamily(Frequencies(BASIS, WIDTH), nominal)
    known = np.array([4.0, 6.0, 8.0])
    records = StepRecords(
        samples=np.zeros((3, WIDTH)), weight=np.ones((3, WIDTH)), known_mm=known,
        step=np.arange(3), u_step_mm=np.full(3, 0.01), usual=np.full(3, 120.0),
    )  # fmt: skip
    estimate = Estimate(
        operator=nominal.with_values(nominal.values() * 1.01 + np.array([0.0, 0.002, 0.01, 0.0])),
        pulses=np.stack([fitted_pulse()] * 2),
        place=np.array([120.3, 118.9, 121.2]),
        heights=[np.zeros(1)] * 3,
        thickness_mm=known + np.array([0.004, -0.006, 0.003]),
        noise=np.full(3, 0.02),
    )
    family.end_windows(estimate, records)
    rng = np.random.default_rng(4)
    for row in range(3):
        estimate.heights[row] = 0.7 ** np.arange(estimate.heights[row].size)
        found = columns_of(family, estimate, records, row)
        records.samples[row] = found.model + rng.normal(0.0, 0.02, WIDTH)
    return family, estimate, records


def columns_of(family: LayeredFamily, estimate: Estimate, records: StepRecords, row: int) -> Any:
    place, thickness = float(estimate.place[row]), float(estimate.thickness_mm[row])
    usual = float(records.usual[row])
    return family.columns(estimate, place, thickness, estimate.heights[row], usual)


def solved_with(
    rows: list[int], family: LayeredFamily, estimate: Estimate, records: StepRecords
) -> tuple[FloatArray, FloatArray]:
    """Return how the three values move, and their covariance, by least squares of some readings.

    One system of all: values, the three steps' thickness, and what belongs to each reading alone.
    """
    pulses, blocks, right = estimate.pulses.size, [], []
    own_sizes = {row: columns_of(family, estimate, records, row).own.shape[0] for row in rows}
    total, begun = 6 + sum(own_sizes.values()), 6
    for row in rows:
        found = columns_of(family, estimate, records, row)
        weight = records.weight[row] / estimate.noise[row]
        block = np.zeros((WIDTH, total))
        block[:, :3] = (found.shared[pulses : pulses + 3] * weight).T
        block[:, 3 + row] = found.thicker * weight
        block[:, begun : begun + own_sizes[row]] = (found.own * weight).T
        begun += own_sizes[row]
        blocks.append(block)
        right.append((records.samples[row] - found.model) * weight)
    u = np.concatenate([family.sigma[:3], records.u_step_mm])
    off = np.concatenate(
        [
            (family.nominal.values() - estimate.operator.values())[:3],
            records.known_mm - estimate.thickness_mm,
        ]
    )
    matrix = np.concatenate([*blocks, np.eye(6, total) / u[:, None]])
    scale = np.linalg.norm(matrix, axis=0)
    inverse = np.linalg.inv((matrix / scale).T @ (matrix / scale)) / np.outer(scale, scale)
    change = inverse @ matrix.T @ np.concatenate([*right, off / u])
    return change[:3], inverse[:3, :3]


def test_a_step_left_out_is_a_fit_of_the_others() -> None:
    """What is known beforehand stays: values near nominal, steps near their certificate."""
    family, estimate, records = step_readings()
    pulses = estimate.pulses.size
    free = np.concatenate([np.zeros(pulses, bool), family.sought, np.ones(3, bool)])
    learned = _finished(family, estimate, records, free)
    records = family.end_windows(estimate.copy(), records)
    values = slice(pulses, pulses + 3)
    _, covariance = solved_with([0, 1, 2], family, estimate, records)
    np.testing.assert_allclose(learned.covariance[values, values], covariance, rtol=1e-4, atol=0.0)
    for k, (change, without) in enumerate(learned.without_step):
        others = [row for row in range(3) if row != k]
        expected, covariance = solved_with(others, family, estimate, records)
        u = np.sqrt(np.diag(covariance))
        np.testing.assert_allclose(change[values] / u, expected / u, rtol=1e-4, atol=1e-5)
        np.testing.assert_allclose(
            without[values, values] / np.outer(u, u), covariance / np.outer(u, u), atol=1e-4
        )


@pytest.mark.parametrize("worst", [1.0, 2.4, 2.6, -3.5])
def test_the_worst_step_left_out_is_tested_as_one_of_so_many(worst: float) -> None:
    """P of one normal deviate beyond the worst, times four; what is beyond u counts from 5 %."""
    u_mm, off = 0.01, np.array([0.5, worst, -0.5, 0.1])
    learned: Any = SimpleNamespace(
        estimate=SimpleNamespace(
            place=np.zeros(4), thickness_mm=5.0 + u_mm * off, heights=np.zeros((4, 1)),
            noise=np.zeros(4),
        ),
        family=SimpleNamespace(
            columns=lambda *_: SimpleNamespace(
                own=np.array([[0.0, 1.0]]), thicker=np.array([1.0, 0.0]),
                shared=np.zeros((1, 2)), model=np.zeros(2),
            )
        ),
        without_step=[(np.zeros(1), np.zeros((1, 1)))] * 4,
    )  # fmt: skip
    records: Any = SimpleNamespace(
        samples=np.zeros((4, 2)), weight=np.ones((4, 2)), known_mm=np.full(4, 5.0),
        step=np.arange(4), u_step_mm=np.full(4, u_mm), usual=np.zeros(4),
    )  # fmt: skip
    lack_mm, p_value = left_out_steps(learned, records)
    expected = min(4.0 * erfc(abs(worst) / sqrt(2.0)), 1.0)
    assert p_value == pytest.approx(expected, rel=1e-6)
    beyond = u_mm * sqrt(max(float(np.mean(off**2)) - 1.0, 0.0)) if expected < 0.05 else 0.0
    assert lack_mm == pytest.approx(beyond, rel=1e-6)


# Health figures


def means_of(count: int) -> Any:
    return SimpleNamespace(
        thickness_mm=np.linspace(3.0, 12.0, count), readings=np.full(count, 2),
        repeatability_us=0.001,
    )  # fmt: skip


STEEL: Any = SimpleNamespace(
    range=MeasuringRange(), probe=Probe(arrangement="delay_line", frequency_mhz=5.0, delay_us=0.3),
    material=Material(), interval_material=Material(),
    layout=SimpleNamespace(mode=SimpleNamespace(velocity_ratio=1.0)),
)  # fmt: skip


@pytest.mark.parametrize(
    ("p_value", "lack_mm", "explained"),
    [
        (0.5, 0.0, True),
        # Chance does so as often as one time in a hundred: nothing is proved, however large.
        (0.02, 0.1, True),
        # Chance does not; below a 32nd of a wavelength (1.184 mm) it is no mix-up for all that.
        (0.001, 0.0369, True),
        (0.001, 0.0371, False),
    ],
)
def test_what_steps_leave_of_whole_records_is_explained(
    p_value: float, lack_mm: float, explained: bool
) -> None:
    learned: Any = SimpleNamespace(velocity_mm_per_us=V, p_value=p_value, lack_of_fit_mm=lack_mm)
    health = layered._health(means_of(4), learned, STEEL)
    assert health["residuals_explained"] is explained


@pytest.mark.parametrize(("steps", "tested"), [(3, False), (4, True), (7, True)])
def test_a_curve_is_tested_from_four_steps_on(steps: int, tested: bool) -> None:
    """Zero and scale besides its correction: three steps leave nothing to test it with."""
    learned: Any = SimpleNamespace(velocity_mm_per_us=V, p_value=0.5, lack_of_fit_mm=0.0)
    assert layered._health(means_of(steps), learned, STEEL)["residuals_tested"] is tested


@pytest.mark.parametrize("best_is_good", [True, False])
def test_health_of_a_curve_is_that_of_the_best_one(best_is_good: bool) -> None:
    good = SimpleNamespace(correction_us=0.01, usual_us=0.01, misfit=1.0)
    bad = SimpleNamespace(correction_us=0.01, usual_us=0.01, misfit=9.0)
    fits = [good, bad] if best_is_good else [bad, good]
    found: Any = SimpleNamespace(fits=fits, means=means_of(5), shifted={})
    assert dual._health(found, STEEL, V)["residuals_explained"] is best_is_good


# Second trips


def trips_of(thickness_mm: float, beyond: int) -> list[SecondTrip]:
    """Return the second trip of a path of 720 samples, heard for so many of its samples."""
    operator = Operator(velocity_mm_per_us=V)
    frequencies, begin, place = Frequencies(BASIS, WIDTH), 500, 220.0
    second = 2 * 720 - BASIS.before
    scan: Any = SimpleNamespace(
        recording=SimpleNamespace(clip_low=-1e3, clip_high=1e3, zero_code=0.0),
        start_time_us=np.zeros(1),
        shape=(1, second + beyond),
        rows=SimpleNamespace(read_block=lambda first, last: np.zeros((1, second + beyond))),
    )
    estimate = Estimate(
        operator, np.stack([fitted_pulse()] * 2), np.array([place]), [np.array([1.0, 0.5])],
        np.array([thickness_mm]), np.ones(1),
    )  # fmt: skip
    learned: Any = SimpleNamespace(estimate=estimate, family=SimpleNamespace(nominal=operator))
    windows: Any = SimpleNamespace(
        rows=np.zeros(1, np.int64), begin=np.array([begin]), frequencies=frequencies,
        records=SimpleNamespace(usual=np.array([place])),
    )  # fmt: skip
    return second_trips(scan, 0.0, BASIS, learned, windows)[0]


def test_a_second_trip_is_heard_whole_enough_with_more_than_a_pulse_of_it() -> None:
    whole = 2 * BASIS.before
    assert trips_of(5.0, whole) == []
    assert len(trips_of(5.0, whole + 1)) == 1


@pytest.mark.parametrize("spacing", [90.0, 130.0])
def test_a_second_trip_holds_the_echoes_of_the_train_that_reach_into_it(spacing: float) -> None:
    """Each counts once: those begun, ahead of its end; and a baseline."""
    trip = trips_of(0.5 * V * spacing / RATE_MHZ, 600)[0]
    first, last = 2 * 720 - BASIS.before, 2 * 720 - BASIS.before + 600
    arrives = 720.0 + spacing * np.arange(200)
    # The pulse is above a hundredth of its height for 36 samples to each side.
    reaches = (arrives > first - 30.0) & (arrives < last + 30.0)
    assert not np.any(np.abs(arrives - (first - 36.0)) < 6.0)
    assert not np.any(np.abs(arrives - (last + 36.0)) < 6.0)
    assert len(trip.own) == np.count_nonzero(reaches) + WAVES


# Windows


def test_a_window_that_would_begin_ahead_of_the_record_begins_with_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It begins 5.5 periods of 20 samples ahead of the arrival."""
    geometry = DualGeometry(
        height_mm=8.0, velocity_mm_per_us=2.35, roof_deg=3.5, width_mm=5.0, length_mm=8.0,
        gap_mm=1.0,
    )  # fmt: skip
    nominal = ApertureOperator(velocity_mm_per_us=V, geometry=geometry, frequency_mhz=5.0)
    scan = SimpleNamespace(
        recording=SimpleNamespace(sample_rate_mhz=RATE_MHZ), start_time_us=np.zeros(3),
        shape=(3, 4000),
    )  # fmt: skip
    picked: Any = SimpleNamespace(
        known=SimpleNamespace(scan=scan), rows=np.arange(3), time_us=np.array([0.4, 1.1, 5.0])
    )
    procedure: Any = SimpleNamespace(
        probe=SimpleNamespace(frequency_mhz=5.0, bandwidth_percent=60.0, delay_us=0.0)
    )
    seen = SimpleNamespace(samples=np.zeros((3, WIDTH)))
    monkeypatch.setattr(apertures, "step_samples", lambda *_: seen)
    monkeypatch.setattr(apertures, "learn_from_best", lambda *_: None)
    monkeypatch.setattr(apertures, "_start", lambda *_: None)
    _, windows = apertures._learned(picked, procedure, nominal)
    assert windows.begin.tolist() == [0, 0, 500 - 110]


@pytest.mark.parametrize(("delay_us", "stated"), [(0.0, False), (0.3, True)])
def test_a_delay_that_is_not_stated_is_told(delay_us: float, stated: bool) -> None:
    probe = Probe(arrangement="delay_line", frequency_mhz=5.0, delay_us=delay_us)
    learned: Any = SimpleNamespace(velocity_mm_per_us=V, p_value=0.5, lack_of_fit_mm=0.0)
    how = SimpleNamespace(**(vars(STEEL) | {"probe": probe}))
    assert layered._health(means_of(4), learned, how)["delay_stated"] is stated  # type: ignore[arg-type]
