"""Files that hang, crash, or lie: a sentence each, and never a plausible number."""

from __future__ import annotations

import os
import time
from pathlib import Path

import h5py
import numpy as np
import pytest

import ascan
from ascan import AscanError
from ascan.examples import PROCEDURE, plate_scan
from ascan.store import guarded
from ascan.store.guarded import look_first

FLIPS, HEAD = 150, 8704


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("own")
    steps = np.array([3.0, 5.0, 10.0, 20.0])
    procedure, block = ascan.Procedure.from_text(PROCEDURE), plate_scan(steps)
    fit = ascan.calibrate(block, procedure, steps, u_known_mm=0.002)
    out = {name: folder / f"{name}.h5" for name in ("scan", "calibration", "readings")}
    ascan.save_scan(block, out["scan"])
    ascan.save_calibration(fit, out["calibration"])
    ascan.measure_to_file(block, procedure, fit, out["readings"])
    return out


def whole(kind: str, path: Path) -> object:
    """Read all of a file."""
    if kind == "scan":
        return np.concatenate([block for _, block in ascan.open_scan(path).blocks(2)])
    return (ascan.load_calibration if kind == "calibration" else ascan.load_readings)(path)


def test_a_reader_that_hangs_or_crashes_is_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "f.h5"
    path.write_bytes(b"x")
    monkeypatch.setattr(guarded, "LONGEST_S", 0.3)
    began = time.monotonic()
    with pytest.raises(AscanError, match="keeps its reader busy"):
        look_first(path, lambda _: time.sleep(60.0))
    assert time.monotonic() - began < 5.0
    with pytest.raises(AscanError, match=r"crashes its reader \(SIGABRT"):
        look_first(path, lambda _: os.abort())
    # What is wrong in an orderly way is left to the reader itself.
    look_first(path, lambda _: int("x"))


def test_a_file_is_looked_at_again_once_it_has_changed(tmp_path: Path) -> None:
    path, looks = tmp_path / "f.h5", tmp_path / "looks"
    path.write_bytes(b"x")

    def look(_: str) -> None:
        with looks.open("ab") as file:
            file.write(b".")

    for _ in range(2):
        look_first(path, look)
    assert looks.read_bytes() == b"."
    path.write_bytes(b"xy")
    look_first(path, look)
    assert looks.read_bytes() == b".."


@pytest.mark.parametrize("kind", ["scan", "calibration", "readings"])
def test_a_flipped_byte_is_refused_or_does_not_matter(
    kind: str, files: dict[str, Path], tmp_path: Path
) -> None:
    """Bytes of the first 8.5 KiB, one at a time: the same values as before, or one sentence."""
    raw = bytearray(files[kind].read_bytes())
    sound, rng, changed = whole(kind, files[kind]), np.random.default_rng(5), tmp_path / "x.h5"
    refused = 0
    for _ in range(FLIPS):
        at, old = int(rng.integers(0, min(len(raw), HEAD))), 0
        old, raw[at] = raw[at], int(rng.integers(0, 256))
        changed.write_bytes(raw)
        raw[at] = old
        try:
            found = whole(kind, changed)
        except AscanError:
            refused += 1
            continue
        if isinstance(found, ascan.Calibration):
            assert isinstance(sound, ascan.Calibration)
            assert found.digest == sound.digest
        elif isinstance(found, ascan.Readings):
            assert isinstance(sound, ascan.Readings)
            np.testing.assert_array_equal(found.thickness_mm, sound.thickness_mm)
    assert refused > 0


def test_a_flipped_sample_is_found(files: dict[str, Path], tmp_path: Path) -> None:
    """Every block of waveforms has a checksum."""
    raw, changed = bytearray(files["scan"].read_bytes()), tmp_path / "x.h5"
    with h5py.File(files["scan"]) as file:
        chunk = file["waveforms"].id.get_chunk_info(0)
    raw[chunk.byte_offset + chunk.size // 2] ^= 1
    changed.write_bytes(raw)
    with pytest.raises(AscanError, match="is damaged"):
        whole("scan", changed)


def test_a_size_far_beyond_what_is_stored_is_refused(
    files: dict[str, Path], tmp_path: Path
) -> None:
    changed = tmp_path / "bomb.h5"
    changed.write_bytes(files["scan"].read_bytes())
    with h5py.File(changed, "a") as file:
        del file["start_time_us"]
        file.create_dataset("start_time_us", (10**10,), "f8", chunks=(1000,))
    with pytest.raises(AscanError, match="declares 80000000000 bytes and stores 0"):
        ascan.open_scan(changed)
