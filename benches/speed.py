"""Speed of the pipeline beside the NumPy way and the rate of reading, as ratios of one run.

    python benches/speed.py [ROWS]

Rows of 1024 int16 samples, a gate of 600. Every figure is the least of several passes; the passes
of all candidates take turns, so that a slow moment of the machine hits them alike.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np

from ascan import Procedure, Scan
from ascan.arrays import AnyArray
from ascan.kernels.jit import compiled
from ascan.pipeline import Pipeline

GATE = slice(200, 800)
BLOCK = 512
PASSES = 5
TEXT = """
probe = {{ arrangement = "contact", frequency_mhz = 5.0 }}
interval = {{ mode = "time_zero_to_echo", gates = ["wall"] }}
{filter}
[[gate]]
name = "wall"
start_us = 2.0
stop_us = 7.99
threshold = 0.2
timing = {timing}
"""
BAND_PASS = 'filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }'


@compiled
def read_rows(block: AnyArray) -> int:
    total = 0
    for row in range(block.shape[0]):
        for j in range(block.shape[1]):
            total += block[row, j]
    return total


def numpy_peak(block: AnyArray) -> AnyArray:
    gate = np.abs(block[:, GATE].astype(np.float32))
    top = gate[:, 1:-1].argmax(axis=1) + 1
    row = np.arange(len(block))
    before, middle, after = (gate[row, top + k] for k in (-1, 0, 1))
    return top + 0.5 * (before - after) / (before - 2.0 * middle + after)


def numpy_crossing(block: AnyArray) -> AnyArray:
    gate = np.abs(block[:, GATE].astype(np.float32))
    first = np.maximum((gate > 400.0).argmax(axis=1), 1)
    row = np.arange(len(block))
    below, above = gate[row, first - 1], gate[row, first]
    return first - 1 + (400.0 - below) / (above - below)


def waveforms(rows: int) -> AnyArray:
    rng = np.random.default_rng(1)
    time_us = np.arange(1024) / 100.0
    after = time_us - rng.uniform(2.5, 7.0, rows)[:, None].astype(np.float32)
    echo = np.exp(-0.5 * (after / 0.125) ** 2) * np.cos(2.0 * np.pi * 5.0 * after)
    return np.rint(1500.0 * echo + rng.normal(0.0, 20.0, echo.shape)).astype(np.int16)


def through(scan: Scan, timing: str, condition: str = "") -> Callable[[], object]:
    text = TEXT.format(timing=timing, filter=condition)
    pipeline = Pipeline(Procedure.from_text(text), scan.recording)

    def run() -> None:
        for _ in pipeline.walk(scan):
            pass

    return run


def main(rows: int) -> None:
    data = waveforms(rows)
    scan = Scan.from_array(data, sample_rate_mhz=100.0, full_scale=2048)

    def blockwise(function: Callable[[AnyArray], object]) -> Callable[[], object]:
        return lambda: [function(data[k : k + BLOCK]) for k in range(0, rows, BLOCK)]

    crossing = '{ method = "first_crossing", level = 0.2 }'
    candidates = {
        "read every sample": blockwise(read_rows),
        "NumPy peak, parabola": blockwise(numpy_peak),
        "NumPy crossing, linear": blockwise(numpy_crossing),
        "ascan peak, whole pipeline": through(scan, '"peak"'),
        "ascan crossing, whole pipeline": through(scan, crossing),
        "ascan peak, band-passed": through(scan, '"peak"', BAND_PASS),
    }
    least = dict.fromkeys(candidates, np.inf)
    for turn in range(PASSES + 1):
        for name, run in candidates.items():
            began = time.perf_counter()
            run()
            if turn > 0:  # the first pass compiles
                least[name] = min(least[name], time.perf_counter() - began)
    base = least["read every sample"]
    print(f"{rows} rows of 1024 int16, gate of 600, one thread; compare ratios only")
    print(f"{'':<34}{'ns/row':>8}{'x read':>8}{'x NumPy':>9}")
    for name, seconds in least.items():
        rival = least["NumPy crossing, linear" if "crossing" in name else "NumPy peak, parabola"]
        print(f"{name:<34}{1e9 * seconds / rows:8.0f}{seconds / base:8.2f}{seconds / rival:9.2f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20_000)
