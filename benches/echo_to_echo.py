"""What the interval of two and of four separate echoes reaches, beside its own bound.

    python benches/echo_to_echo.py [ROWS]

10 mm of steel, 5 MHz Gaussian pulse of 60 % bandwidth, 100 MHz sampling, 12 bit, 1 dB loss an echo,
neither dispersion nor diffraction; each echo timed by correlation. The bound is that of the slope
of time over echo number, every time at its own Cramér-Rao bound. SNR is that of the first echo.
"""

from __future__ import annotations

import sys

import numpy as np
from ascan_synthetic.pulse import GaussianPulse

from ascan import Procedure, Scan, time_echoes

RATE_MHZ, HEIGHT, APART_US, BEGIN_US = 100.0, 0.6, 2.0 * 10.0 / 5.92, 3.0
DECAY = 10.0 ** (-1.0 / 20.0)
BLOCK = 2000
GATE = """
[[gate]]
name = "echo_{k}"
start_us = {start}
stop_us = {stop}
threshold = 0.02
echo = "largest"
half_cycles = "positive"
timing = "{method}"
"""


def procedure(echoes: int, method: str) -> Procedure:
    """Return a procedure with a gate round each echo."""
    names = ", ".join(f'"echo_{k}"' for k in range(echoes))
    text = (
        'probe = { arrangement = "contact", frequency_mhz = 5.0 }\n'
        f'interval = {{ mode = "echo_to_echo", gates = [{names}] }}\n'
    )
    for k in range(echoes):
        middle = BEGIN_US + k * APART_US
        text += GATE.format(k=k, start=middle - 1.0, stop=middle + 1.1, method=method)
    return Procedure.from_text(text)


def bound_us(echoes: int, snr_db: float, pulse: GaussianPulse) -> float:
    """Return the least standard deviation of the spacing."""
    time_us, step = np.arange(-200, 201) / RATE_MHZ, 1e-5
    slope = (pulse(time_us + step) - pulse(time_us - step)) / (2.0 * step)
    once = 10.0 ** (-snr_db / 20.0) / np.sqrt(slope @ slope)
    u = once / DECAY ** np.arange(echoes)
    design = np.stack([np.ones(echoes), np.arange(echoes)], axis=1) / u[:, None]
    return float(np.sqrt(np.linalg.inv(design.T @ design)[1, 1]))


def line(echoes: int, snr_db: float, rows: int, method: str) -> str:
    """Time ``rows`` records and return one line of the table."""
    rng, pulse = np.random.default_rng(echoes), GaussianPulse(5.0)
    time_us = np.arange(int((BEGIN_US + echoes * APART_US) * RATE_MHZ)) / RATE_MHZ
    how = procedure(echoes, method)
    error, honest = [], []
    for _ in range(0, rows, BLOCK):
        after = time_us - BEGIN_US - 0.1 * rng.random((BLOCK, 1))
        clean = sum(DECAY**k * pulse(after - k * APART_US) for k in range(echoes))
        noisy = HEIGHT * (clean + 10.0 ** (-snr_db / 20.0) * rng.standard_normal(after.shape))
        codes = np.rint(noisy * 2048).clip(-2048, 2047).astype(np.int16)
        found = time_echoes(
            Scan.from_array(codes, sample_rate_mhz=RATE_MHZ, full_scale=2048), how
        ).columns
        error.append(found["interval_us"] - APART_US)
        honest.append(error[-1] / found["u_interval_us"])
    off, share = np.concatenate(error), np.concatenate(honest)
    bound = bound_us(echoes, snr_db, pulse)
    return (
        f"{echoes:6d}  {snr_db:4.0f}  {1e3 * bound:9.4f}  {np.nanstd(off) / bound:10.3f}  "
        f"{1e3 * np.nanmean(off):+9.4f}  {np.nanstd(share):7.3f}  "
        f"{100.0 * np.nanmean(np.abs(share) < 1.96):10.1f}  {int(np.isnan(off).sum()):7d}"
    )


def main(rows: int) -> None:
    print(f"{rows} records a line, timed by correlation")
    print("echoes   SNR   bound ns  over bound    bias ns  error/u  within 95 %  refused")
    for echoes in (2, 4):
        for snr_db in (14.0, 24.0, 34.0, 44.0, 54.0):
            print(line(echoes, snr_db, rows, "correlation"), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
