"""What each timing method reaches beside its goal, on one echo in white noise.

    python benches/accuracy.py [ROWS]

5 MHz Gaussian pulse of 60 % bandwidth, random delay, amplitude ±6 dB, random polarity; 25, 50 and
100 MHz sampling, 8 and 12 bit. Ratios to the Cramér-Rao bound, whose noise includes that of the
quantisation; no wall time.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
from ascan_synthetic.pulse import GaussianPulse

from ascan import Procedure
from ascan.study.comparing import Cell, Signals, compare_methods

SNR_DB = (14.0, 24.0, 34.0, 44.0, 54.0)
RECORDS = ((25.0, 12), (50.0, 12), (100.0, 12), (100.0, 8), (50.0, 8), (25.0, 8))
RAW, BAND = "", 'filter = { kind = "band_pass", low_mhz = 2.0, high_mhz = 8.0 }'
BELL = 'filter = { kind = "gaussian", centre_mhz = 5.0, bandwidth_mhz = 3.0 }'
TEXT = """
probe = {{ arrangement = "contact", frequency_mhz = 5.0 }}
checks = {{ min_snr_db = -20.0 }}
interval = {{ mode = "time_zero_to_echo", gates = ["wall"] }}
{condition}
[[gate]]
name = "wall"
start_us = 1.5
stop_us = 5.0
threshold = 0.06
echo = "largest"
half_cycles = "positive"
timing = {timing}
"""


@dataclass(frozen=True, slots=True)
class Entry:
    """A method, its filter, and what it is asked to reach of which bound."""

    timing: str
    condition: str
    goal: float
    phase_free: bool = False


ENTRIES = {
    "correlation": Entry('"correlation"', RAW, 1.05),
    "carrier_phase": Entry('"carrier_phase"', RAW, 1.05),
    "pulse_fit": Entry('"pulse_fit"', RAW, 1.05),
    "peak, gaussian": Entry('"peak"', BELL, 1.40),
    "peak, band_pass": Entry('"peak"', BAND, 1.40),
    "half of echo peak": Entry('{ method = "first_crossing", peak_fraction = 0.5 }', BELL, 1.45),
    "zero_crossing": Entry('"zero_crossing"', BELL, 1.45),
    "envelope": Entry('"envelope"', BELL, 1.05, True),
    "centroid": Entry('"centroid"', BAND, 1.05, True),
    "pulse_fit, free": Entry('{ method = "pulse_fit", shape = "free" }', RAW, 1.05, True),
    "envelope edge": Entry('{ method = "envelope", edge_fraction = 0.5 }', BELL, 1.55, True),
}


def echoes(rows: int, rate_mhz: float, bits: int, seed: int) -> Signals:
    """Return clean echoes whose place between the samples is random."""
    rng = np.random.default_rng(seed)
    time_us = np.arange(int(6.0 * rate_mhz)) / rate_mhz
    arrival = 3.0 + 0.4 * rng.random(rows)
    size = 0.25 * 10.0 ** (rng.uniform(-6.0, 6.0, rows) / 20.0)
    clean = size[:, None] * GaussianPulse(5.0)(time_us - arrival[:, None])
    return Signals(clean=clean, true_us=arrival, sample_rate_mhz=rate_mhz, start_us=0.0, bits=bits)


def row(label: str, entry: Entry, cells: list[Cell]) -> str:
    """Return one line: the ratio at each signal-to-noise ratio, then the worst of the rest."""
    ratios = [c.over_phase_free if entry.phase_free else c.over_bound for c in cells]
    gross = 100.0 * cells[0].gross / cells[0].rows
    honest = [c.error_over_u for c in cells]
    covered = [100.0 * c.covered for c in cells]
    return (
        f"{label:<17} {entry.goal:4.2f}  "
        + " ".join(f"{ratio:5.2f}" for ratio in ratios)
        + f"  {gross:7.3f}  {cells[0].bias_ns:+6.3f} {cells[2].bias_ns:+7.4f}"
        f"  {cells[0].pattern_ns:7.4f}  {min(honest):4.2f}-{max(honest):4.2f}"
        f"  {min(covered):4.1f}-{max(covered):4.1f}"
    )


def main(rows: int) -> None:
    for rate_mhz, bits in RECORDS:
        print(f"{rate_mhz:g} MHz, {bits} bit, {rows} echoes a cell")
        print(
            "method            goal     14    24    34    44    54  gross %  bias ns at 14, 34"
            "  pattern     error/u   in 95 %"
        )
        signals = echoes(rows, rate_mhz, bits, seed=1)
        procedures = {
            label: Procedure.from_text(TEXT.format(timing=e.timing, condition=e.condition))
            for label, e in ENTRIES.items()
        }
        cells = compare_methods(signals, procedures, SNR_DB)
        for label, entry in ENTRIES.items():
            print(row(label, entry, [cell for cell in cells if cell.method == label]), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
