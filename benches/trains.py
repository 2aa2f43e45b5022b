"""What the fit of a whole echo train reaches on thin walls, beside its own bound.

    python benches/trains.py [ROWS]

5 MHz Gaussian pulse of 60 % bandwidth, 100 MHz sampling, 12 bit, 1 dB loss an echo, with and
without an interface echo one spacing ahead; then a probe off its nominal frequency or bandwidth.
The bound is that of spacing, begin, height, decay and interface height together (Cramér-Rao).
"""

from __future__ import annotations

import sys

import numpy as np
from ascan_synthetic.pulse import GaussianPulse

from ascan import Procedure, Scan, time_echoes
from ascan.kernels.arrays import AnyArray, FloatArray
from ascan.survey.wrong import eighth_mm, value_wrong

STEEL_MM_PER_US, RATE_MHZ, HEIGHT, ECHOES = 5.92, 100.0, 0.3, 40
DECAY = 10.0 ** (-1.0 / 20.0)
GATE_US = (1.0, 7.5)
TIME_US = np.arange(850) / RATE_MHZ
TEXT = f"""
probe = {{ arrangement = "contact", frequency_mhz = 5.0 }}
checks = {{ min_snr_db = -20.0 }}
interval = {{ mode = "echo_to_echo", gates = ["walls"] }}
[[gate]]
name = "walls"
start_us = {GATE_US[0]}
stop_us = {GATE_US[1]}
threshold = 0.03
echo = "train"
"""


def train(numbers: FloatArray, pulse: GaussianPulse, time_us: FloatArray) -> FloatArray:
    """Return a train by begin, spacing, height, decay and interface height."""
    begin, apart, height, decay, front = numbers
    out = front * pulse(time_us - begin + apart)
    for k in range(ECHOES):
        out = out + height * decay**k * pulse(time_us - begin - k * apart)
    return np.asarray(out)


def bound_us(thickness_mm: float, front: float, snr_db: float) -> float:
    """Return the least standard deviation of the spacing."""
    inside = TIME_US[(GATE_US[0] < TIME_US) & (GATE_US[1] > TIME_US)]
    at = np.array([2.6, 2.0 * thickness_mm / STEEL_MM_PER_US, 1.0, DECAY, front])
    pulse, step = GaussianPulse(5.0), 1e-5
    columns = []
    for k in range(5 if front else 4):
        move = np.eye(5)[k] * step
        rise = train(at + move, pulse, inside) - train(at - move, pulse, inside)
        columns.append(rise / (2.0 * step))
    jacobian = np.array(columns)
    return float(10.0 ** (-snr_db / 20.0) * np.sqrt(np.linalg.inv(jacobian @ jacobian.T)[1, 1]))


def not_right(read_mm: FloatArray, expanded_mm: FloatArray, wall_mm: float) -> AnyArray:
    """Return which spacings, as walls, are wrong or none; twice u of a wall is expanded u."""
    claims = np.full((2, read_mm.size), wall_mm)
    eighth = eighth_mm(STEEL_MM_PER_US, 5.0)
    return ~np.isfinite(read_mm) | value_wrong(read_mm, claims, expanded_mm, eighth)


def line(
    thickness_mm: float, front: float, snr_db: float, rows: int, pulse: GaussianPulse, told: str
) -> str:
    """Time ``rows`` trains and return one line of the table."""
    rng = np.random.default_rng(1)
    apart = 2.0 * thickness_mm / STEEL_MM_PER_US
    begins = 2.5 + 0.2 * rng.random(rows)
    numbers = np.array([apart, 1.0, DECAY, front])
    clean = np.stack([train(np.r_[begin, numbers], pulse, TIME_US) for begin in begins])
    noisy = HEIGHT * (clean + 10.0 ** (-snr_db / 20.0) * rng.standard_normal(clean.shape))
    codes = np.rint(noisy * 2048).clip(-2048, 2047).astype(np.int16)
    scan = Scan.from_array(
        codes, sample_rate_mhz=RATE_MHZ, full_scale=2048, clip_low=-2048, clip_high=2047
    )
    found = time_echoes(scan, Procedure.from_text(TEXT))
    interval_us, u_us = (found.columns[name] for name in ("interval_us", "u_interval_us"))
    error = interval_us - apart
    gross = not_right(0.5 * STEEL_MM_PER_US * interval_us, STEEL_MM_PER_US * u_us, thickness_mm)
    silent = int((gross & (found.flags == 0)).sum())
    good = error[~gross]
    honest = np.std(good / found.columns["u_interval_us"][~gross])
    ratio = np.std(good) / bound_us(thickness_mm, front, snr_db)
    return (
        f"{thickness_mm:5.2f}  {snr_db:4.0f}  {front:+5.1f}  {told:<9}  {int(gross.sum()):5d}  "
        f"{silent:6d}  {ratio:10.2f}  {1e3 * good.mean():+8.3f}  {1e3 * np.std(good):9.4f}  "
        f"{honest:7.2f}"
    )


def main(rows: int) -> None:
    print(f"{rows} trains a line; front: interface echo over the first back-wall echo")
    print("   mm   SNR  front  probe      gross  silent  over bound   bias ns  spread ns  error/u")
    for front in (0.0, -1.5, 0.8):
        for thickness_mm in (0.5, 0.75, 1.0, 1.5, 2.0):
            for snr_db in (20.0, 34.0):
                print(line(thickness_mm, front, snr_db, rows, GaussianPulse(5.0), ""), flush=True)
    for thickness_mm in (0.5, 1.0, 2.0):
        for told, pulse in (
            ("4.6 MHz", GaussianPulse(4.6)),
            ("5.4 MHz", GaussianPulse(5.4)),
            ("48 %", GaussianPulse(5.0, bandwidth=0.48)),
            ("72 %", GaussianPulse(5.0, bandwidth=0.72)),
        ):
            print(line(thickness_mm, 0.0, 34.0, rows, pulse, told), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
