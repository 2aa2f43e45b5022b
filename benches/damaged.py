"""Own files with one byte changed at a time: read right, refused in a sentence, or worse.

    python benches/damaged.py [FLIPS] [SEED]

A scan, a calibration and a readings file; a random byte of the first 8.5 KiB takes a random value;
the file is opened and read whole. Counted are files that read as before, refusals (by the first
look in a child, and by the reader), raw exceptions, values that differ, and the longest time.
"""

from __future__ import annotations

import collections
import sys
import tempfile
import time
import warnings
from pathlib import Path

import numpy as np

import ascan
from ascan.examples import PROCEDURE, plate_scan

HEAD = 8704


def written(folder: Path) -> dict[str, Path]:
    """Write one file of each kind."""
    steps = np.array([3.0, 5.0, 10.0, 20.0])
    procedure, block = ascan.Procedure.from_text(PROCEDURE), plate_scan(steps)
    fit = ascan.calibrate(block, procedure, steps, u_known_mm=0.002)
    out = {name: folder / f"{name}.h5" for name in ("scan", "calibration", "readings")}
    ascan.save_scan(block, out["scan"])
    ascan.save_calibration(fit, out["calibration"])
    ascan.measure_to_file(block, procedure, fit, out["readings"])
    return out


def read(kind: str, path: Path) -> str:
    """Return what a file holds, as one word that changes with it."""
    if kind == "scan":
        return str(np.concatenate([block for _, block in ascan.open_scan(path).blocks(2)]).sum())
    if kind == "calibration":
        return ascan.load_calibration(path).digest
    return str(np.nansum(ascan.load_readings(path).thickness_mm))


def main() -> None:
    flips = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    rng = np.random.default_rng(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory() as name:
        changed = Path(name) / "changed.h5"
        for kind, path in written(Path(name)).items():
            raw, sound = bytearray(path.read_bytes()), read(kind, path)
            counts: collections.Counter[str] = collections.Counter()
            longest, began = 0.0, time.monotonic()
            for _ in range(flips):
                at = int(rng.integers(0, min(len(raw), HEAD)))
                old, raw[at] = raw[at], int(rng.integers(0, 256))
                changed.write_bytes(raw)
                raw[at] = old
                start = time.monotonic()
                try:
                    counts["as before" if read(kind, changed) == sound else "OTHER VALUES"] += 1
                except ascan.AscanError as problem:
                    by_look = "keeps its reader busy" in str(problem) or "crashes" in str(problem)
                    counts["refused by the look" if by_look else "refused"] += 1
                except Exception as problem:
                    counts[f"RAW {type(problem).__name__}"] += 1
                longest = max(longest, time.monotonic() - start)
            told = ", ".join(f"{word} {count}" for word, count in sorted(counts.items()))
            each = 1e3 * (time.monotonic() - began) / flips
            print(f"{kind:<12} {flips} flips: {told}; longest {longest:.2f} s, {each:.0f} ms each")


if __name__ == "__main__":
    main()
