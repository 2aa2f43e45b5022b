"""Laws that every registered timing method keeps."""

from __future__ import annotations

import os
import subprocess
import sys

import numpy as np
import pytest
from builders import SAMPLE_RATE_MHZ, burst, scan_of, wall_procedure
from hypothesis import given, settings
from hypothesis import strategies as st

from ascan import Scan, measure, prepare, time_echoes
from ascan.base.flags import FATAL
from ascan.kernels.arrays import FloatArray
from ascan.learning.calibrating import calibrate
from ascan.timing.protocol import METHODS

# Every registered method, with the options it needs. A new method fails here until it is listed.
OPTIONS = {
    "peak": ['"peak"'],
    "first_crossing": [
        '{ method = "first_crossing", level = 0.3 }',
        '{ method = "first_crossing", peak_fraction = 0.5 }',
    ],
    "zero_crossing": ['"zero_crossing"'],
    "envelope": ['"envelope"', '{ method = "envelope", edge_fraction = 0.5 }'],
    "onset": ['"onset"'],
    "centroid": ['"centroid"'],
    "correlation": ['"correlation"'],
    "carrier_phase": ['"carrier_phase"'],
    "pulse_fit": ['"pulse_fit"', '{ method = "pulse_fit", shape = "free" }'],
}
CASES = [timing for options in OPTIONS.values() for timing in options]
FILTERS = [
    "",
    'filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }',
    'filter = { kind = "gaussian", centre_mhz = 5.0, bandwidth_mhz = 3.0 }',
]
FILTER_NAMES = ["raw", "band-pass", "gaussian"]


def test_every_method_is_tried() -> None:
    assert set(OPTIONS) == set(METHODS)


def echoes(count: int, seed: int, noise: float = 0.01) -> FloatArray:
    """Echoes of random delay, size and polarity in noise; some rows hold none, some a NaN."""
    rng = np.random.default_rng(seed)
    time_us = np.arange(1100) / SAMPLE_RATE_MHZ
    size = rng.uniform(0.3, 0.9, count) * rng.choice([-1.0, 1.0], count)
    size[rng.random(count) < 0.15] = 0.0
    waveforms = size[:, None] * burst(time_us, rng.uniform(2.4, 8.6, count))
    waveforms += rng.normal(0.0, noise, waveforms.shape)
    waveforms[rng.random(count) < 0.1, 300] = np.nan
    return waveforms


@pytest.mark.parametrize("condition", FILTERS, ids=FILTER_NAMES)
@pytest.mark.parametrize("timing", CASES)
def test_single_is_batch_and_nan_iff_fatal_and_pick_inside_gate(
    timing: str, condition: str
) -> None:
    waveforms = echoes(300, seed=1)
    procedure = wall_procedure(timing, condition)
    steps = np.stack([burst(np.arange(1100) / SAMPLE_RATE_MHZ, t) for t in (2.5, 8.0)])
    calibration = calibrate(scan_of(0.8 * steps), procedure, [7.4, 23.7], u_known_mm=0.01)
    batch = measure(scan_of(waveforms), procedure, calibration)
    engine = prepare(
        procedure, calibration, dtype="float64", sample_rate_mhz=SAMPLE_RATE_MHZ, like=batch
    )
    picks = batch.picks("wall")["time_us"]
    seen = {"fatal": 0, "good": 0}
    for row, waveform in enumerate(waveforms):
        one = engine.measure_one(waveform)
        fatal = bool(int(one.flags) & FATAL)
        seen["fatal" if fatal else "good"] += 1
        assert np.isnan(one.thickness_mm) == fatal
        assert np.isnan(one.u_mm) == fatal
        assert one.columns["interval_us"] == batch.columns["interval_us"][row] or fatal
        assert one.columns["flags"] == batch.flags[row]
        if not fatal:
            assert 2.0 <= picks[row] <= 9.0
            assert one.u_mm > 0.0
    assert min(seen.values()) > 30  # both kinds were there


@pytest.mark.parametrize("condition", FILTERS, ids=FILTER_NAMES)
@pytest.mark.parametrize("timing", CASES)
@given(seed=st.integers(0, 10_000), shift=st.integers(-80, 80))
@settings(max_examples=25, deadline=None)
def test_shift_by_whole_samples_shifts_the_pick(
    timing: str, condition: str, seed: int, shift: int
) -> None:
    """A record that starts k samples later shows its echo k samples earlier: same time."""
    rng = np.random.default_rng(seed)
    time_us = np.arange(1400) / SAMPLE_RATE_MHZ
    long = 0.7 * burst(time_us, rng.uniform(5.5, 6.5)) + rng.normal(0.0, 0.005, time_us.size)
    procedure = wall_procedure(timing, condition)
    found = []
    for first in (100, 100 + shift):
        record = long[first : first + 1100]
        start_us = 1.0 + (first - 100) / SAMPLE_RATE_MHZ - 1.0
        scan = Scan.from_array(record, sample_rate_mhz=SAMPLE_RATE_MHZ, start_time_us=start_us)
        found.append(time_echoes(scan, procedure).picks("wall")["time_us"][0])
    # The level of an envelope's edge holds the noise's own share, here worth 1e-5 µs in all, and
    # the noise is measured anew.
    most_us = 1e-5 if "edge_fraction" in timing else 1e-9
    assert found[1] == pytest.approx(found[0], abs=most_us)


@pytest.mark.parametrize("timing", CASES)
def test_inverted_echo_gives_the_same_time(timing: str) -> None:
    """With any half-cycle counting, a polarity flip changes nothing but the amplitude's sign."""
    time_us = np.arange(1100) / SAMPLE_RATE_MHZ
    both = 0.7 * np.stack([burst(time_us, 5.1234), -burst(time_us, 5.1234)])
    picks = time_echoes(scan_of(both), wall_procedure(timing)).picks("wall")
    assert picks["time_us"][1] == picks["time_us"][0]
    assert picks["amplitude"][1] == -picks["amplitude"][0]


@pytest.mark.parametrize("dtype", ["int8", "int16", "int32", "uint8", "uint16", "float32"])
@pytest.mark.parametrize("timing", CASES)
def test_stored_type_does_not_change_the_time(timing: str, dtype: str) -> None:
    """The same codes in every stored type that holds them give the same time."""
    time_us = np.arange(1100) / SAMPLE_RATE_MHZ
    codes = np.rint(100.0 * burst(time_us, 4.567))
    procedure = wall_procedure(timing)
    zero = {"uint8": 128, "uint16": 32768}.get(dtype, 0)
    stored = (codes + zero).astype(dtype)
    meaning = {"full_scale": 128.0, "zero_code": float(zero)}
    reference = time_echoes(scan_of(codes, full_scale=128.0), procedure)
    found = time_echoes(scan_of(stored, **meaning), procedure)
    # float32 holds these codes exactly; its last bits show in the interpolation only.
    assert found.picks("wall")["time_us"] == pytest.approx(
        reference.picks("wall")["time_us"], abs=1e-8
    )


SCRIPT = """
import sys
import numpy as np
sys.path.insert(0, "tests")
from builders import SAMPLE_RATE_MHZ, burst, scan_of, wall_procedure
from ascan import time_echoes
rng = np.random.default_rng(3)
time_us = np.arange(1100) / SAMPLE_RATE_MHZ
rails = np.where(np.abs(burst(time_us, 5.0)) > 0.3, 40000.0 * burst(time_us, 5.0), 0.0)
ints = np.clip(np.rint(rails + rng.normal(0, 50, (4, 1100))), -32768, 32767).astype(np.int16)
for timing in {cases!r}:
    for extra in {filters!r}:
        picks = time_echoes(scan_of(ints), wall_procedure(timing, extra))
        for name in ("interval_us", "u_interval_us", "wall_amplitude", "wall_snr_db", "flags"):
            print(*(repr(float(v)) for v in picks.columns[name]))
"""


def test_compiled_is_plain_at_both_rails() -> None:
    """int16 at −32768 and 32767: compiled and plain Python agree (no overflow, no lost flag)."""
    script = SCRIPT.format(cases=CASES, filters=FILTERS)
    outputs = []
    for disabled in ("0", "1"):
        environment = os.environ | {"NUMBA_DISABLE_JIT": disabled}
        done = subprocess.run(
            [sys.executable, "-c", script],
            env=environment,
            capture_output=True,
            text=True,
            check=True,
        )
        outputs.append(np.array([float(word) for word in done.stdout.split()]))
    compiled, plain = outputs
    assert compiled.size == len(CASES) * len(FILTERS) * 5 * 4
    # Compiled code may use another rounding of the same elementary functions.
    np.testing.assert_allclose(compiled, plain, rtol=1e-6, atol=0.0)


def test_rails_are_seen_as_they_are() -> None:
    """|−32768| is 32768, not an overflow: a negative rail is the larger peak."""
    record = np.zeros(1100, np.int16)
    record[500:503] = [-20000, -32768, -20000]
    record[600:603] = [20000, 32767, 20000]
    scan = Scan.from_array(record, sample_rate_mhz=SAMPLE_RATE_MHZ)
    picks = time_echoes(scan, wall_procedure(gate='echo = "largest"')).picks("wall")
    assert picks["time_us"][0] == pytest.approx(5.01)
    assert picks["amplitude"][0] == -1.0
    assert picks["flags"][0] & 256  # saturated
