"""The first look at a scan: what its axes hold is what the records are."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from builders import burst, scan_of

from ascan import AscanError, Scan
from ascan.commands.cli import main
from ascan.store.scans import save_scan

pytest.importorskip("matplotlib")

TIME_US = np.arange(1200) / 100.0


@pytest.fixture
def scan() -> Scan:
    """Return 40 records of a 5 MHz echo that comes 0.05 µs later in each, clipping at 0.4."""
    noise = 0.002 * np.random.default_rng(1).standard_normal((40, TIME_US.size))
    waves = burst(TIME_US, 3.0 + 0.05 * np.arange(40)) + noise
    waves = np.clip(waves, -0.4, 0.4).astype(np.float32)
    return scan_of(waves, full_scale=1.0, clip_low=-0.4, clip_high=0.4)


def test_the_axes_show_the_records(scan: Scan) -> None:
    axes = scan.plot(row=10)
    wave = axes["wave"].lines[0]
    assert np.array_equal(wave.get_ydata(), scan.rows.read_block(10, 11)[0])
    assert "row 10" in axes["wave"].get_title("left")
    # The brightest line of the B-scan is where each echo is, time downward.
    image = axes["rows"].images[0]
    left, right, bottom, top = image.get_extent()
    assert (left, right) == (-0.5, 39.5)
    assert bottom > top
    size = np.asarray(image.get_array())
    place_us = top + (size.argmax(axis=0) + 0.5) * (bottom - top) / len(size)
    assert np.abs(place_us - (3.0 + 0.05 * np.arange(40))).max() < 0.15
    whole, floor = axes["band"].lines
    mhz, level_db = whole.get_data()
    assert mhz[np.argmax(level_db)] == pytest.approx(5.0, abs=0.4)
    far = mhz > 15.0
    assert np.median(level_db[far] - floor.get_ydata()[far]) < 6.0
    rails = [line.get_xdata()[0] for line in axes["codes"].lines]
    assert rails == pytest.approx([-0.4, 0.4])


def test_a_row_that_is_not_there_is_refused(scan: Scan) -> None:
    with pytest.raises(AscanError, match="has no row 40"):
        scan.plot(40)


@pytest.mark.parametrize("ending", ["png", "svg", "pdf"])
def test_from_the_command_line(scan: Scan, tmp_path: Path, ending: str) -> None:
    file, picture = tmp_path / "scan.h5", tmp_path / f"look.{ending}"
    save_scan(scan, file)
    assert main(["plot", str(file), "-o", str(picture)]) == 0
    head = {"png": b"\x89PNG", "svg": b"<?xml", "pdf": b"%PDF"}[ending]
    assert picture.read_bytes().startswith(head)
    # Only a picture of its own kind is replaced.
    assert main(["plot", str(file), "-o", str(picture)]) == 2
    assert main(["plot", str(file), "-o", str(picture), "--replace"]) == 0
    assert main(["plot", str(file), "-o", str(file), "--replace"]) == 2
    assert main(["plot", str(file), "--flag", "no_echo", "-o", str(tmp_path / "x.png")]) == 2
    assert not (tmp_path / "x.png").exists()


def test_what_is_not_finite_or_silent_is_drawn_all_the_same() -> None:
    waves = np.zeros((3, 300), np.float32)
    waves[1, 100:120] = np.nan
    axes = scan_of(waves, full_scale=1.0).plot(1)
    assert np.isfinite(np.asarray(axes["rows"].images[0].get_array())).all()
