"""One-way analysis of variance against NIST's certified sets, which come with SciPy."""

from __future__ import annotations

import importlib.resources
import re

import numpy as np
import pytest

from ascan import AscanError
from ascan.study.variances import one_way, study_of


def nist(name: str) -> tuple[np.ndarray, np.ndarray, list[float]]:
    """Return values, groups, and certified mean squares between and within."""
    try:
        folder = importlib.resources.files("scipy.stats.tests") / "data" / "nist_anova"
        text = (folder / f"{name}.dat").read_text()
    except (ModuleNotFoundError, FileNotFoundError):
        pytest.skip("this SciPy comes without NIST's one-way sets")
    lines = text.splitlines()
    certified = []
    for word in ("Between", "Within"):
        line = next(line for line in lines if line.startswith(word))
        certified.append(float(line.split()[-2 if word == "Between" else -1]))
    rows = [re.split(r"\s+", line.strip()) for line in lines[60:] if line.strip()]
    table = np.array([[float(a), float(b)] for a, b in rows])
    return table[:, 1], table[:, 0], certified


@pytest.mark.parametrize(
    ("name", "digits"),
    [("SiRstv", 1e-9), ("SmLs01", 1e-12), ("AtmWtAg", 1e-7), ("SmLs04", 1e-8), ("SmLs07", 1e-2)],
)
def test_nist_one_way(name: str, digits: float) -> None:
    """Certified mean squares; a double keeps two digits of what SmLs07 has after its thirteen."""
    values, group, certified = nist(name)
    found = one_way(values, group)
    assert found.between_square == pytest.approx(certified[0], rel=digits)
    assert found.within_square == pytest.approx(certified[1], rel=digits)
    assert found.f_ratio == pytest.approx(certified[0] / certified[1], rel=2.0 * digits)


def test_components_of_a_crossed_and_of_a_nested_study() -> None:
    """Means over 300 drawn studies are the variances that were drawn with."""
    rng = np.random.default_rng(3)
    operator, point, _ = (a.ravel() for a in np.meshgrid(*map(np.arange, (4, 6, 3)), indexing="ij"))
    found = []
    for _ in range(300):
        values = 8.0 + rng.normal(0.0, 1.0, 6)[point] + rng.normal(0.0, 0.03, 4)[operator]
        values += rng.normal(0.0, 0.02, (4, 6))[operator, point] + rng.normal(0.0, 0.01, point.size)
        one = study_of(values, point, operator)
        found.append([one.repeatability_mm**2, one.operator_mm**2, one.interaction_mm**2])
        assert one.design == "crossed"
    assert np.sqrt(np.mean(found, axis=0)) == pytest.approx([0.01, 0.03, 0.02], rel=0.1)
    nested = []
    for _ in range(300):
        values = 8.0 + rng.normal(0.0, 0.05, 24)[operator * 6 + point]
        values += rng.normal(0.0, 0.06, 4)[operator] + rng.normal(0.0, 0.01, point.size)
        one = study_of(values, operator * 6 + point, operator)
        nested.append([one.repeatability_mm**2, one.operator_mm**2])
        assert one.design == "nested"
    assert np.sqrt(np.mean(nested, axis=0)) == pytest.approx([0.01, 0.06], rel=0.12)


def test_unbalanced_studies_are_refused() -> None:
    with pytest.raises(AscanError, match="same number of readings"):
        study_of(np.arange(5.0), np.array([0, 0, 1, 1, 1]), np.array([0, 0, 1, 1, 1]))
    with pytest.raises(AscanError, match="without a thickness"):
        study_of(np.array([1.0, np.nan]), np.zeros(2), np.zeros(2))


def test_gum_h5_repeated_observations_on_ten_days() -> None:
    """JCGM 100:2008 H.5, table H.9 (from memory): F = 5 × 57² / 85² on 9 and 40 freedoms.

    Daily means of five readings of a voltage (10 V plus so many µV) and their standard deviations.
    """
    means = np.array([172, 116, 13, 144, 106, 31, 60, 125, 163, 41], float)
    spread = np.array([60, 77, 111, 101, 67, 93, 80, 73, 88, 86], float)
    # Five readings of mean 0 and standard deviation 1.
    unit = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) / np.sqrt(2.5)
    values = (means[:, None] + spread[:, None] * unit).ravel()
    found = one_way(values, np.repeat(np.arange(10), 5))
    assert means.mean() == pytest.approx(97.1)
    assert np.std(means, ddof=1) == pytest.approx(57.0, abs=0.5)
    assert found.within == pytest.approx(85.0, abs=0.5)
    assert (found.between_freedom, found.within_freedom) == (9, 40)
    assert found.f_ratio == pytest.approx(2.26, abs=0.02)
