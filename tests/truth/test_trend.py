"""Thickness over several surveys: rates, their intervals, and what the command says of them."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from ascan import AscanError, Procedure, Scan, calibrate, measure_to_file
from ascan.commands.cli import main
from ascan.examples import PROCEDURE, plate_scan
from ascan.results.sources import Source
from ascan.survey.told import Told
from ascan.survey.trend import trend_of

ONE, OTHER = (Source(name="calibration_level", of=of) for of in ("one", "other"))
YEARS = (0.0, 2.0, 3.0, 5.0)


def drawn(n: int, rate: float, bend: float = 0.0, seed: int = 1) -> list[Told]:
    """Four surveys by two calibrations, each an error of 30 µm, noise of 20 µm."""
    rng = np.random.default_rng(seed)
    errors = {source: 0.03 * rng.standard_normal(n) for source in (ONE, OTHER)}
    return [
        Told(
            thickness_mm=9.0 - rate * t - 0.5 * bend * t * t + errors[source]
            + 0.02 * rng.standard_normal(n),
            u_random_mm=np.full(n, 0.02), shared={source: np.full(n, 0.03)},
        )
        for source, t in zip((ONE, ONE, OTHER, OTHER), YEARS, strict=True)
    ]  # fmt: skip


@pytest.mark.parametrize("rate", [0.0, 0.02, 0.1])
def test_rates_and_lives_hold_as_stated(rate: float) -> None:
    """20 000 places: a share of 95 % scatters by 0.15 %; five of that are allowed."""
    found = trend_of(drawn(20_000, rate), YEARS)
    inside = np.abs(found.line.rate_mm_per_year - rate) < 1.96 * found.line.u_rate_mm_per_year
    assert inside.mean() == pytest.approx(0.95, abs=0.008)
    bent = found.bent
    held = np.abs(bent.bend_mm_per_year2) < 1.96 * bent.u_bend_mm_per_year2
    assert held.mean() == pytest.approx(0.95, abs=0.008)
    # A wall that loses nothing lasts for ever, but a bound of for ever is one that chance made.
    true_life = (9.0 - 5.0 * rate - 6.0) / max(rate, 1e-9)
    assert np.mean(true_life >= found.least_years(6.0)) == pytest.approx(0.95, abs=0.008)


def test_an_exact_fall_is_read_exactly_and_so_is_one_that_grows() -> None:
    nothing = np.zeros(2)
    surveys = [
        Told(
            thickness_mm=np.array([9.0 - 0.1 * t, 9.0 - 0.1 * t - 0.01 * t * t]),
            u_random_mm=nothing + 1e-3, shared={},
        )
        for t in YEARS
    ]  # fmt: skip
    found = trend_of(surveys, YEARS)
    assert found.line.rate_mm_per_year[0] == pytest.approx(0.1, abs=1e-9)
    assert found.line.now_mm[0] == pytest.approx(8.5, abs=1e-9)
    # At the last survey, five years on: 0.1 + 2 × 0.01 × 5.
    assert found.bent.rate_mm_per_year[1] == pytest.approx(0.2, abs=1e-9)
    assert found.bent.bend_mm_per_year2[1] == pytest.approx(0.02, abs=1e-9)
    assert found.bent.at(2.0)[0][1] == pytest.approx(9.0 - 0.7 - 0.49, abs=1e-9)
    assert found.governing_mm_per_year[1] == pytest.approx(0.1 + 0.01 * 8.0, abs=1e-9)
    assert found.rate_changes


def test_a_survey_that_did_not_read_a_place_says_nothing_of_it() -> None:
    surveys = drawn(3, 0.1)
    surveys[1].thickness_mm[0] = np.nan
    for survey in surveys[1:]:
        survey.thickness_mm[1] = np.nan
    found = trend_of(surveys, YEARS)
    without = trend_of([surveys[k] for k in (0, 2, 3)], [YEARS[k] for k in (0, 2, 3)])
    assert found.line.rate_mm_per_year[0] == pytest.approx(without.line.rate_mm_per_year[0], 1e-6)
    assert np.isnan(found.line.rate_mm_per_year[1])
    assert np.isnan(found.least_years(6.0)[1])


def test_surveys_out_of_order_or_too_few_are_refused() -> None:
    surveys = drawn(2, 0.1)
    with pytest.raises(AscanError, match="growing from one survey to the next"):
        trend_of(surveys, (0.0, 3.0, 2.0, 5.0))
    with pytest.raises(AscanError, match="three surveys or more"):
        trend_of(surveys[:2], (0.0, 1.0))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("surveys")
    how = Procedure.from_text(PROCEDURE)
    steps = np.repeat([5.0, 10.0, 20.0], 2)
    fit = calibrate(plate_scan(steps), how, steps, u_known_mm=0.002)
    for year in (0, 3, 6):
        plate = plate_scan(np.array([9.0 - 0.1 * year, 9.0]))
        rows = plate.rows.read_block(0, 2)
        scan = Scan.from_array(
            rows, sample_rate_mhz=100.0, columns={"point": np.array(["N1", "N2"])}
        )
        measure_to_file(scan, how, fit, out / f"y{year}.h5")
    return out


def test_the_command_names_the_place_to_watch(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("matplotlib")
    monkeypatch.chdir(folder)
    words = "trend y0.h5 y3.h5 y6.h5 --years 2020,2023,2026 --minimum 7 --csv t.csv -o t.png"
    assert main([*words.split(), "--replace"]) == 0
    told = capsys.readouterr().out
    assert "to watch, point N1" in told
    assert "long-term rate +0.1000 mm a year" in told
    assert "a rate foresees nothing" in told
    assert (folder / "t.png").stat().st_size > 10_000
    assert len((folder / "t.csv").read_text().splitlines()) == 3
    assert main([*words.split()[:6], "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["to_watch"]["point"] == "N1"
    assert main(["trend", "y6.h5", "y3.h5", "y0.h5", "--years", "2026,2023,2020"]) == 2
    assert main(["trend", "y0.h5", "y3.h5", "y6.h5", "--years", "2020,2023"]) == 2
