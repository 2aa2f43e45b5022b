"""Speed of the pipeline beside the NumPy way and the rate of reading, as ratios of one run.

    python benches/speed.py [ROWS] [WHOLE_RECORDS]

The fits of whole records follow, layered (1000 samples, three candidates), coated and dual, alone
and in their whole chain.

Rows of 1024 int16 samples, a gate of 600. Every figure is the least of several passes; the passes
of all candidates take turns, so that a slow moment of the machine hits them alike.
"""

from __future__ import annotations

import dataclasses
import sys
import time
from collections.abc import Callable, Sequence
from unittest import mock

import numpy as np
import whole_record
from ascan_synthetic.synthesis import Synthesis
from ascan_synthetic.tables import StackTable

from ascan import Calibration, Procedure, Scan, calibrate
from ascan.engine.binding import bind
from ascan.engine.blocks import walk
from ascan.kernels.arrays import AnyArray
from ascan.kernels.jit import compiled

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
    pipeline = bind(Procedure.from_text(text), scan.recording)

    def run() -> None:
        for _ in walk(pipeline, scan):
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
    least = timed(candidates)
    base = least["read every sample"]
    print(f"{rows} rows of 1024 int16, gate of 600, one thread; compare ratios only")
    print(f"{'':<34}{'ns/row':>8}{'x read':>8}{'x NumPy':>9}")
    for name, seconds in least.items():
        rival = least["NumPy crossing, linear" if "crossing" in name else "NumPy peak, parabola"]
        print(f"{name:<34}{1e9 * seconds / rows:8.0f}{seconds / base:8.2f}{seconds / rival:9.2f}")


def timed(candidates: dict[str, Callable[[], object]]) -> dict[str, float]:
    """Return the least seconds of several passes, in which all candidates take turns."""
    least = dict.fromkeys(candidates, np.inf)
    for turn in range(PASSES + 1):
        for name, run in candidates.items():
            began = time.perf_counter()
            run()
            if turn > 0:  # the first pass compiles
                least[name] = min(least[name], time.perf_counter() - began)
    return least


def whole_records(rows: int) -> None:
    """Print what fits of whole records take, alone and in their chain."""
    noise = whole_record.WALL_HEIGHT / 80.0
    steps = tuple(whole_record.STEPS_MM)
    block = whole_record.plates(1, noise=noise, steps_mm=steps, readings=4)
    walls = whole_record.plates(2, noise=noise, uniform_mm=(0.8, 20.0), count=rows)
    painted = dataclasses.replace(
        whole_record.plates(3, noise=noise, uniform_mm=(0.8, 20.0), count=max(rows // 20, 8)),
        stack=StackTable(coating_mm=0.2),
    )
    layered = whole_record.layered()
    coated = Procedure.from_text(layered.text + "\n[coating]\nvelocity_mm_per_us = 2.5\n")
    rng = np.random.default_rng(4)
    dual = Procedure.from_text(
        whole_record.DUAL.format(
            mode="whole_record", **whole_record.card(3.5, np.zeros(4, np.float64))
        )
    )
    known = np.repeat([1.0, 3.0, 10.0, 25.0], 4)
    dual_block = whole_record._heard(rng, known, 3.5, 38.0)
    dual_walls = whole_record._heard(rng, rng.uniform(2.0, 25.0, rows), 3.5, 38.0)
    runs = {
        "layered": (layered, whole_record._calibrated(block, layered), Synthesis(walls)),
        "coated": (coated, whole_record._calibrated(block, coated), Synthesis(painted)),
    }
    scans = {
        name: (how, fit, whole_record.scan_of(made)) for name, (how, fit, made) in runs.items()
    }
    fit = calibrate(dual_block, dual, known, u_known_mm=whole_record.U_STEP_MM)
    scans["dual"] = (dual, fit, dual_walls)
    candidates: dict[str, Callable[[], object]] = {}
    sizes: dict[str, int] = {}
    for name, (how, one, scan) in scans.items():
        data = scan.rows.read_block(0, len(scan))
        for kind, run in (
            (f"{name}, reading its samples", lambda data=data: read_rows(data)),
            (f"{name}, fit alone", fit_alone(how, one, scan)),
            (f"{name}, whole chain", chain(how, one, scan)),
        ):
            candidates[kind], sizes[kind] = run, len(scan)
    print(f"\n{rows} whole records (coated: fewer), one thread; compare ratios only")
    print(f"{'':<34}{'us/row':>8}{'per s':>9}{'x read':>9}")
    least = timed(candidates)
    for name, seconds in least.items():
        base = least[f"{name.split(',')[0]}, reading its samples"]
        each = seconds / sizes[name]
        print(f"{name:<34}{1e6 * each:8.1f}{1.0 / each:9.0f}{seconds / base:9.0f}")


def chain(how: Procedure, fit: Calibration, scan: Scan) -> Callable[[], object]:
    pipeline = bind(how, scan.recording, fit)
    return lambda: list(walk(pipeline, scan))


def fit_alone(how: Procedure, fit: Calibration, scan: Scan) -> Callable[[], object]:
    """Return a run of the fits with all that gates and noise estimates give them at hand."""
    pipeline = bind(how, scan.recording, fit)
    reader = pipeline.reader
    stage, calls = getattr(reader, "layered", reader).stage, []  # type: ignore[attr-defined]
    original = type(stage).run

    def noted(self: object, *arguments: object) -> object:
        calls.append(own(arguments))
        return original(self, *arguments)

    with mock.patch.object(type(stage), "run", noted):
        list(walk(pipeline, scan))

    def run() -> None:
        for arguments in calls:
            original(stage, *own(arguments))

    return run


def own(arguments: Sequence[object]) -> list[object]:
    """Return arguments of a fit with flags of their own: it sets them."""
    return [
        one.copy() if isinstance(one, np.ndarray) and one.dtype == np.uint32 else one
        for one in arguments
    ]


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20_000)
    whole_records(int(sys.argv[2]) if len(sys.argv) > 2 else 400)
