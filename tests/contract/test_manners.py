"""What everybody expects of a Python value: rows, masks, tables, pictures, errors told apart."""

from __future__ import annotations

import html
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import ascan
from ascan import AscanError, Calibration, Procedure, Readings, Scan, measure
from ascan.base import above
from ascan.commands.cli import main
from ascan.examples import plate_example, plate_scan

USER_SCRIPT = """
import numpy as np

import ascan

procedure: ascan.Procedure = ascan.load_procedure("procedure.toml")
with ascan.open_scan("scan.h5") as scan:
    calibration = ascan.load_calibration("calibration.h5")
    readings = ascan.measure(scan[::2], procedure, calibration)
thin = readings[readings.thickness_mm < 6.0]
first = readings[0]
least: float = float(np.nanmin(thin.thickness_mm))
print(first.thickness_mm + first.u_mm, least, len(thin), ascan.__version__)
for reading in thin:
    print(reading.usability, reading.reasons)
try:
    ascan.Scan.from_array(np.zeros((2, 500)), sample_rate_mhz=100.0)
except ascan.InputError as problem:
    print(problem.place, problem.remedy)
"""


@pytest.fixture(scope="module")
def many() -> tuple[Scan, Procedure, Calibration]:
    _, procedure, calibration = plate_example(thickness_mm=8.0)
    scan = plate_scan(np.linspace(6.0, 12.0, 12))
    columns = {"x_mm": np.tile([0.0, 1.0, 2.0, 3.0], 3), "y_mm": np.repeat([5.0, 0.0, 9.0], 4)}
    codes = scan.rows.read_block(0, 12)
    codes[7] = scan.recording.zero_code
    return (
        Scan.from_array(
            codes,
            sample_rate_mhz=scan.recording.sample_rate_mhz,
            start_time_us=scan.start_time_us,
            full_scale=scan.recording.full_scale,
            columns=columns,
        ),
        procedure,
        calibration,
    )


@pytest.fixture(scope="module")
def readings(many: tuple[Scan, Procedure, Calibration]) -> Readings:
    return measure(*many)


def same(one: Readings, other: Readings) -> bool:
    return all(
        np.array_equal(column, other.columns[name], equal_nan=column.dtype.kind == "f")
        for name, column in one.columns.items()
    )


@pytest.mark.parametrize(
    "rows", [slice(2, 9, 3), slice(None, None, -1), np.arange(12) % 3 == 0, np.array([4, 1]), [3]]
)
def test_rows_of_readings_are_readings_of_those_rows(
    readings: Readings, many: tuple[Scan, Procedure, Calibration], rows: object
) -> None:
    """Choosing and measuring commute, to the bit, by what the whole scan was judged by."""
    scan, procedure, calibration = many
    some = readings[rows]
    assert np.array_equal(some.scan_rows, np.arange(12)[rows])
    assert same(measure(scan[rows], procedure, calibration, like=readings), some)
    assert np.array_equal(some[::-1].scan_rows, np.arange(12)[rows][::-1])


def test_one_row_is_a_reading_and_a_scan_of_one_waveform(
    readings: Readings, many: tuple[Scan, Procedure, Calibration]
) -> None:
    assert readings[-1].thickness_mm == readings.thickness_mm[11]
    assert [len(one) for one in many[0]] == [1] * 12
    assert many[0][5].columns["scan_row"].tolist() == [5]
    assert many[0][4:][1].columns["scan_row"].tolist() == [5]


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (np.ones(11, np.bool_), "mask of shape"),
        (12, "no row 12"),
        ([0, 12], "no row 12"),
        ([-1], "no row -1"),
        ("thickness_mm", "columns"),
        (np.array([0.0, 1.0]), "numbers of rows"),
        (True, "truth values|mask"),
    ],
)
def test_rows_that_are_none_are_refused(
    readings: Readings, many: tuple[Scan, Procedure, Calibration], rows: object, words: str
) -> None:
    for value in (readings, many[0]):
        with pytest.raises(ascan.InputError, match=words):
            value[rows]


def test_a_dataframe_holds_every_column_and_says_what_it_is(readings: Readings) -> None:
    pytest.importorskip("pandas")
    frame = readings[3:].to_dataframe()
    assert frame.index.tolist() == list(range(3, 12))
    assert frame.attrs["units"]["thickness_mm"] == "mm"
    assert set(frame.columns) == {*readings.columns, "usability"}
    assert frame.loc[7, "usability"] == "not usable"
    assert np.isnan(frame.loc[7, "thickness_mm"])


def test_a_dataset_stands_on_the_raster_in_order_of_place(readings: Readings) -> None:
    pytest.importorskip("xarray")
    made = readings.to_xarray()
    assert made["thickness_mm"].dims == ("y_mm", "x_mm")
    assert made["y_mm"].values.tolist() == [0.0, 5.0, 9.0]
    for k in range(12):
        x, y = readings.columns["x_mm"][k], readings.columns["y_mm"][k]
        there = made.sel(x_mm=x, y_mm=y)
        assert int(there["row"]) == k
        assert np.array_equal(there["thickness_mm"], readings.thickness_mm[k], equal_nan=True)
    told = made["flags"].attrs
    assert len(told["flag_masks"]) == len(told["flag_meanings"].split())
    assert made["thickness_mm"].attrs["units"] == "mm"
    # One place is missing: no raster, rows.
    assert readings[1:].to_xarray()["thickness_mm"].dims == ("row",)


def test_what_a_library_is_missing_for_says_how_to_get_it(
    readings: Readings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(above.importlib.util, "find_spec", lambda name: None)
    with pytest.raises(AscanError, match=r"needs pandas; pip install 'ascan\[frames\]'"):
        readings.to_dataframe()
    with pytest.raises(AscanError, match="needs xarray"):
        readings.to_xarray()


def test_a_notebook_shows_the_summary_and_the_first_rows(readings: Readings) -> None:
    shown = readings._repr_html_()
    assert "1 not usable" in shown
    assert "qualified personnel" in shown
    assert html.escape(readings.reasons(7)[0]) in shown


def test_values_plot_themselves(
    readings: Readings, many: tuple[Scan, Procedure, Calibration]
) -> None:
    pyplot = pytest.importorskip("matplotlib.pyplot")
    pyplot.switch_backend("agg")
    assert readings[readings.flags == 99].plot()["rows"].get_legend() is None
    with pytest.raises(AscanError, match="hold no thickness"):
        ascan.time_echoes(many[0], many[1]).plot()
    labels = [text.get_text() for text in readings.plot()["rows"].get_legend().get_texts()]
    assert any(label.startswith("not usable, 1") for label in labels)
    axes = many[2].plot()["residuals"]
    assert axes.get_ylabel() == "fit less step, µm"
    (points,) = [line for line in axes.get_lines() if line.get_marker() == "o"]
    assert points.get_ydata() == pytest.approx(1e3 * many[2].steps.residual_mm)
    pyplot.close("all")


def test_files_of_readings_and_calibrations_are_drawn(
    many: tuple[Scan, Procedure, Calibration], tmp_path: Path
) -> None:
    pytest.importorskip("matplotlib")
    ascan.measure_to_file(*many, tmp_path / "r.h5")
    ascan.save_calibration(many[2], tmp_path / "c.h5")
    for name in ("r", "c"):
        file, picture = str(tmp_path / f"{name}.h5"), tmp_path / f"{name}.svg"
        assert main(["plot", file, "-o", str(picture), "--quiet"]) == 0
        assert picture.stat().st_size > 5000
        assert main(["plot", file, "--row", "3", "-o", str(tmp_path / "x.png")]) == 2


@pytest.mark.parametrize(
    ("call", "kind"),
    [
        (lambda: Scan.from_array(np.zeros((1, 500)), sample_rate_mhz=0.0), ascan.InputError),
        (lambda: Procedure.from_text("probe = 5"), ascan.ProcedureError),
        (lambda: ascan.load_procedure("nowhere.toml"), ascan.FileError),
        (lambda: ascan.open_scan("nowhere.h5"), ascan.FileError),
        (lambda: ascan.load_readings("nowhere.h5"), ascan.FileError),
    ],
)
def test_a_fault_says_of_which_kind_it_is(call: object, kind: type[AscanError]) -> None:
    with pytest.raises(AscanError) as caught:
        call()  # type: ignore[operator]
    assert type(caught.value) is kind
    assert caught.value.place
    assert str(caught.value).startswith(f"{caught.value.place}: {caught.value.problem}")


def test_a_users_script_is_typed(tmp_path: Path) -> None:
    """``mypy --strict`` finds nothing in what a user would write."""
    pytest.importorskip("mypy")
    script = tmp_path / "instrument.py"
    script.write_text(USER_SCRIPT)
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--strict", "--cache-dir", str(tmp_path), str(script)],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout + done.stderr
