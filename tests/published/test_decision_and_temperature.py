"""Temperature rule, conformity and guard bands against published figures."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy import stats

from ascan import AscanError, Procedure, calibrate, measure
from ascan.examples import PROCEDURE, plate_scan
from ascan.uncertainty.coverage import coverage_factor, inverse_effective_freedom
from ascan.uncertainty.decision import Decision, Verdict, WholeScan
from ascan.uncertainty.temperature import Temperature

NO_FLAG = np.zeros(1, np.uint32)


def temperature(component_c: float, **more: object) -> Temperature:
    return Temperature(
        block_c=20.0, component_c=component_c, u_block_c=1.0, u_component_c=2.0, **more
    )  # type: ignore[arg-type]


def test_the_standards_rule() -> None:
    """ASTM E797/E797M-21 9.5: at 460 °C against 20 °C a reading is reduced by 8 %: 10 → 9.20."""
    factor, by_rule, by_degrees = temperature(460.0, rule="one_percent_per_55_c").factor(5.92)
    assert 10.0 * factor == pytest.approx(9.20, abs=1e-12)
    assert abs(by_rule) == pytest.approx(0.25 * 0.08, rel=1e-9)
    assert abs(by_degrees) == pytest.approx(0.01 / 55.0 * np.hypot(1.0, 2.0), rel=1e-9)


def test_1018_steel() -> None:
    """−0.8 m/s for each °C (Do Trung Kien et al.): 30 °C more are −24 m/s, 0.41 % of 5920."""
    factor, *_ = temperature(50.0).factor(5.92)
    assert factor == pytest.approx(1.0 - 0.024 / 5.92, rel=1e-12)
    with pytest.raises(AscanError, match="0 to 50 °C"):
        temperature(80.0)
    assert temperature(
        80.0, velocity_per_c_mm_per_us=-0.001, u_velocity_per_c_mm_per_us=1e-4
    ).factor(5.92)[0] == pytest.approx(1.0 - 0.06 / 5.92)


def test_a_column_of_temperatures_goes_first_and_is_checked() -> None:
    """Two walls of one interval, one at 20 and one at 50 °C; a missing temperature is refused."""
    how = Procedure.from_text(
        PROCEDURE + "[temperature]\nblock_c = 20\ncomponent_c = 40\nu_block_c = 1\n"
        "u_component_c = 2\n"
    )
    steps = np.array([5.0, 10.0, 20.0])
    calibration = calibrate(plate_scan(steps), how, steps, u_known_mm=0.01)
    walls = plate_scan(np.array([8.0, 8.0]))
    warm = dataclasses.replace(walls, columns={"temperature_c": np.array([20.0, 50.0])})
    found = measure(warm, how, calibration).thickness_mm
    assert found == pytest.approx([8.0, 8.0 * (1.0 - 0.024 / 5.92)], abs=1e-3)
    for value in (np.nan, 80.0):
        wrong = dataclasses.replace(walls, columns={"temperature_c": np.array([20.0, value])})
        with pytest.raises(AscanError, match="in row 1"):
            measure(wrong, how, calibration)


def test_conformance_probability() -> None:
    """JCGM 106:2012 7: 6.30 mm, u 0.10, minimum 6.00: z = 3, 0.99865. Table 1: one-sided z."""
    six = Decision(minimum_mm=6.0)
    found = six.probability(np.array([6.3, 6.0, 5.9]), np.full(3, 0.1))
    assert found == pytest.approx([0.99865, 0.5, 0.15866], abs=1e-5)
    for share, z in ((0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)):
        at = six.probability(np.array([6.0 + 0.1 * z]), np.array([0.1]))[0]
        assert at == pytest.approx(share, abs=2e-3)


@pytest.mark.parametrize(
    ("guard", "most"), [(0.0, 0.5001), (0.83, 0.05), (1.0, 0.025), (1.5, 0.0016), (3.0, 1e-6)]
)
def test_false_accept_at_the_limit(guard: float, most: float) -> None:
    """ILAC-G8:09/2019 Table 1: a wall just under the minimum is accepted with at most this risk."""
    # With U = 2 u; a reading is accepted from minimum + guard × U on.
    assert stats.norm.sf(2.0 * guard) < most
    rng = np.random.default_rng(4)
    readings = 6.0 - 1e-9 + 0.1 * rng.standard_normal(200_000)
    made = Decision(minimum_mm=6.0, guard=guard).decide(
        readings,
        np.full(readings.size, 0.2),
        np.zeros(readings.size, np.uint32),
        decidable=True,
    )
    accepted = np.mean(made == Verdict.ACCEPT)
    assert accepted < most + 4.0 * np.sqrt(most / readings.size)


def test_four_verdicts_and_none() -> None:
    """ILAC-G8:09/2019 4.2.3: limits at the minimum and a guard band either side of it."""
    values = np.array([6.30, 6.10, 5.90, 5.79, np.nan, 6.30, 6.1, 5.5])
    flags = np.array([0, 0, 0, 0, 1, 1 << 9, 1 << 19, 1 << 19], np.uint32)
    decision, u = Decision(minimum_mm=6.0), np.full(8, 0.2)
    made = decision.decide(values, u, flags, decidable=True)
    assert made.tolist() == [1, 2, 3, 4, 0, 2, 0, 4]
    # Where an influence has no figure, nothing is decided.
    made = decision.decide(values, u, flags, decidable=False)
    assert made.tolist() == [0] * 8


def test_a_scan_of_readings_that_share_an_error() -> None:
    """All random: the product of the probabilities. All common: that of the least."""
    decision = Decision(minimum_mm=6.0)
    values = np.array([6.1, 6.15, 6.3])
    apart = WholeScan(decision)
    apart.add(values, np.full(3, 0.1), np.zeros(3))
    product = decision.probability(values, np.full(3, 0.1)).prod()
    assert apart.probability == pytest.approx(product, rel=1e-6)
    together = WholeScan(decision)
    together.add(values, np.full(3, 1e-9), np.full(3, 0.1))
    assert together.probability == pytest.approx(stats.norm.cdf(1.0), abs=2e-3)
    both = WholeScan(decision)
    for k in range(3):
        both.add(values[k : k + 1], np.full(1, 0.06), np.full(1, 0.08))
    rng = np.random.default_rng(2)
    drawn = values + 0.06 * rng.standard_normal((400_000, 3))
    drawn += 0.08 * rng.standard_normal((400_000, 1))
    assert both.probability == pytest.approx((drawn > 6.0).all(axis=1).mean(), abs=3e-3)


def test_t_quantiles_and_effective_freedom() -> None:
    """JCGM 100:2008 H.3.4 leaves 9 degrees of freedom: t = 2.26; H.1.6: ν_eff 16.7 → 16."""
    assert coverage_factor(np.array([1.0 / 9.0]))[0] == pytest.approx(2.262, abs=1e-3)
    for freedom in (1, 2, 5, 16, 100):
        found = coverage_factor(np.array([1.0 / freedom]))[0]
        assert found == pytest.approx(stats.t.ppf(0.975, freedom), rel=1e-3)
    # H.1.6: u = 32 nm; 25 with 18, 9.7 with 25.6, 2.9 with 50, 16.6 with 2 degrees of freedom.
    parts = [(25.0, 18), (9.7, 26), (2.9, 50), (16.6, 2)]
    found = 1.0 / inverse_effective_freedom(np.array([32.0]), parts)[0]  # type: ignore[arg-type]
    assert found == pytest.approx(17.5, rel=0.06)
