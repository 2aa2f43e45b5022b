"""What was edited after it was written is named, and counts for nothing.

Each value beside the data that a reading, a check or a verdict rests on is changed by hand, as
someone with an editor for HDF5 or JSON would; then the file is opened as ever.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import ascan
from ascan import FileError, Scan
from ascan.examples import plate_example, plate_scan
from ascan.results.series import CheckReading
from ascan.store.series import add_checks, chain_of, load_series, refuse_lost

_, HOW, FIT = plate_example(thickness_mm=8.0)
PLATES = plate_scan(np.linspace(6.0, 12.0, 6))
SCAN = Scan(
    PLATES.rows,
    PLATES.recording,
    PLATES.start_time_us,
    {"x_mm": np.arange(6.0), "point": np.array(list("abcdeé"))},
)


def set_attribute(item: str, name: str, value: Any) -> Callable[[h5py.File], None]:
    def edit(file: h5py.File) -> None:
        assert name in file[item].attrs
        file[item].attrs[name] = value

    return edit


def set_value(item: str, value: Any) -> Callable[[h5py.File], None]:
    def edit(file: h5py.File) -> None:
        file[item][0] = value

    return edit


SCAN_EDITS = {
    "sample rate": set_attribute("waveforms", "sample_rate_mhz", 101.0),
    "full scale": set_attribute("waveforms", "full_scale", 2.0),
    "form": set_attribute("waveforms", "rectified", True),
    "start": set_value("start_time_us", 0.1),
    "place": set_value("columns/x_mm", 7.0),
    "point": set_value("columns/point", "z"),
}


def test_what_was_written_is_read_back_sealed(tmp_path: Path) -> None:
    path = tmp_path / "s.h5"
    ascan.save_scan(SCAN, path)
    with ascan.open_scan(path) as again:
        for name, values in SCAN.columns.items():
            assert np.array_equal(again.columns[name], values)


@pytest.mark.parametrize("name", SCAN_EDITS)
def test_an_edited_scan_is_refused(name: str, tmp_path: Path) -> None:
    """A sample rate 1 % higher would be a wall 1 % thinner, and plausible."""
    path = tmp_path / "s.h5"
    ascan.save_scan(SCAN, path)
    with h5py.File(path, "r+") as file:
        SCAN_EDITS[name](file)
    with pytest.raises(FileError, match="was changed since it was written"):
        ascan.open_scan(path)


@pytest.mark.parametrize("text", ["health", "signature", "conditions"])
def test_an_edited_calibration_is_refused(text: str, tmp_path: Path) -> None:
    """Its words, too: how long it is valid, whether it is in doubt."""
    path = tmp_path / "c.h5"
    ascan.save_calibration(FIT, path)
    with h5py.File(path, "r+") as file:
        told = json.loads(file.attrs[text])
        key = next(iter(told))
        told[key] = not told[key] if isinstance(told[key], bool) else "another"
        file.attrs[text] = json.dumps(told, sort_keys=True)
    with pytest.raises(FileError, match="was changed since it was written"):
        ascan.load_calibration(path)


def test_an_edited_procedure_in_readings_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "r.h5"
    ascan.measure_to_file(SCAN, HOW, FIT, path)
    with h5py.File(path, "r+") as file:
        told = json.loads(file["provenance"].asstr()[()])
        told["procedure"] = told["procedure"].replace("threshold = 0.2", "threshold = 0.3")
        file["provenance"][()] = json.dumps(told)
    with pytest.raises(FileError, match=r"provenance: was changed since it was written"):
        ascan.load_readings(path)


def test_files_of_earlier_versions_have_no_seal_and_are_read(tmp_path: Path) -> None:
    path = tmp_path / "s.h5"
    ascan.save_scan(SCAN, path)
    with h5py.File(path, "r+") as file:
        del file["waveforms"].attrs["sha256"]
    with ascan.open_scan(path) as again:
        assert len(again) == 6


def check(k: int, passed: bool = True) -> CheckReading:
    return CheckReading(
        time_s=1.7e9 + 3600.0 * k,
        step_mm=10.0,
        u_step_mm=0.01,
        reading_mm=10.0 if passed else 10.4,
        expanded_mm=0.05,
        passed=passed,
        reason="" if passed else "off by more than allowed",
        calibration="abc",
        most_off_mm=0.1,
    )


EDITS: dict[str, Callable[[dict[str, Any]], None]] = {
    "a failed check passes": lambda c: c["checks"][2].update(passed=True, reason=""),
    "a reading is nearer": lambda c: c["checks"][2].update(reading_mm=10.05),
    "an hour later": lambda c: c["checks"][0].update(time_s=1.7e9 + 1800.0),
    "one is taken out": lambda c: (c["checks"].pop(2), c["chain"].pop(2)),
    "one is put in": lambda c: (
        c["checks"].insert(1, dict(c["checks"][0])),
        c["chain"].insert(1, c["chain"][0]),
    ),
    "two change places": lambda c: c["checks"].reverse(),
    "the chain is cut": lambda c: c["chain"].pop(),
}


@pytest.mark.parametrize("name", EDITS)
def test_an_edited_series_confirms_nothing(name: str, tmp_path: Path) -> None:
    path = tmp_path / "checks.json"
    add_checks(path, [check(k, passed=k != 2) for k in range(4)])
    content = json.loads(path.read_text("utf-8"))
    EDITS[name](content)
    path.write_text(json.dumps(content), "utf-8")
    with pytest.raises(FileError, match=r"changed since they were written: (after number|from)"):
        load_series(path)
    with pytest.raises(FileError, match="changed since they were written"):
        add_checks(path, [check(9)])


@settings(max_examples=25, deadline=None)
@given(passed=st.lists(st.booleans(), min_size=1, max_size=6), cut=st.integers(0, 5))
def test_the_chain_of_more_checks_begins_with_that_of_fewer(passed: list[bool], cut: int) -> None:
    checks = [check(k, ok) for k, ok in enumerate(passed)]
    whole = chain_of(checks)
    assert chain_of(checks[:cut]) == whole[:cut]
    assert len(set(whole)) == len(whole)


def test_checks_that_readings_were_settled_by_are_not_taken_back() -> None:
    """Cutting the last, failed one off leaves a chain that fits itself; the readings know more."""
    checks = [check(0), check(1, passed=False)]
    settled = {"check_statuses": [{"settled": "then", "checks": 2, "chain": chain_of(checks)[-1]}]}
    refuse_lost(settled, [*checks, check(2)], "checks.json")
    with pytest.raises(FileError, match="does not hold the 2 checks"):
        refuse_lost(settled, [checks[0]], "checks.json")
